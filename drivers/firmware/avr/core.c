#include "core.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Reference 2.500 V, dividers 2:1, resistor 10 ohm, thermistors of 10 kohm with 10 kohm to the reference. */
const int32_t core_defaults[CALIBRATIONS] = {
    4882812, 0, 4882812, 0, 10000000, 10000, 885277, 251859, 190749, 10000, 885277, 251859, 190749,
};
static const int32_t least[CALIBRATIONS] = {
    1000, -100000, 1000, -100000, 1000, 100, 0, 0, 0, 100, 0, 0, 0,
};
static const int32_t most[CALIBRATIONS] = {
    20000000, 100000, 20000000, 100000, 1000000000, 1000000, 10000000, 1000000, 1000000,
    1000000, 10000000, 1000000, 1000000,
};
static const char *const contacts[] = {"open", "discharge", "charge"};
static const char *const trips[] = {"none", "unarmed", "beat", "low", "high", "cold", "warm", "time", "sensor"};

/* CRC-16 with polynomial 0x1021, begun with 0xFFFF: "123456789" gives 0x29B1. */
uint16_t core_crc(uint16_t crc, uint8_t byte) {
    crc ^= (uint16_t)byte << 8;
    for (uint8_t bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1;
    return crc;
}

static uint16_t crc_of(const char *text, uint8_t length) {
    uint16_t crc = 0xFFFF;
    while (length--) crc = core_crc(crc, (uint8_t)*text++);
    return crc;
}

static void send(const char *body) {
    char line[LINE_MOST + 10];
    int length = snprintf(line, sizeof line, "%s ~%04X\n", body, crc_of(body, (uint8_t)strlen(body)));
    board_send(line, (uint8_t)length);
}

static const char *shown(int32_t value, char *place) {
    if (value == NO_VALUE) return "-";
    snprintf(place, 12, "%ld", (long)value);
    return place;
}

bool core_calibration_fits(const int32_t *calibration) {
    for (uint8_t n = 0; n < CALIBRATIONS; n++)
        if (calibration[n] < least[n] || calibration[n] > most[n]) return false;
    return true;
}

static const struct limits no_limits = {NO_VALUE, NO_VALUE, NO_VALUE, NO_VALUE, NO_VALUE};

static void open_now(struct core *core, enum trip why) {
    board_contact(false); /* first, whatever comes after */
    core->contact = OPEN;
    if (why != NONE) core->trip = why;
    core->suspect = NONE;
    core->suspect_rounds = 0;
}

void core_start(struct core *core, const char *reset) {
    core->contact = OPEN;
    core->trip = UNARMED;
    core->armed = core->measured = core->spoiled = false;
    core->suspect = NONE;
    core->suspect_rounds = core->length = 0;
    core->held_ms = core->report_ms = core->byte_ms = 0;
    core->limits = no_limits;
    core->reset = reset;
    board_contact(false);
}

/* ---- values ------------------------------------------------------------------------------------- */

static int32_t scaled(uint32_t sum, int32_t nV_per_count, int32_t offset_uV) {
    return (int32_t)((int64_t)sum * nV_per_count / (LOOKS * 1000L)) - offset_uV;
}

/* Thermistor from the pin to ground, its series resistor to the reference: no value where the wire is broken or short. */
static int32_t centidegrees(uint32_t sum, const int32_t *of) {
    double share = (double)sum / (LOOKS * (double)COUNTS);
    if (share < 0.02 || share > 0.98) return NO_VALUE;
    double ln = log(of[0] * share / (1.0 - share));
    double inverse = of[1] * 1e-9 + of[2] * 1e-9 * ln + of[3] * 1e-12 * ln * ln * ln;
    if (inverse < 1e-3 || inverse > 1e-2) return NO_VALUE;
    return (int32_t)lround((1.0 / inverse - 273.15) * 100.0);
}

static uint32_t root(uint32_t value) {
    uint32_t low = 0, high = 65535;
    while (low < high) {
        uint32_t middle = (low + high + 1) / 2;
        if (middle * middle <= value) low = middle; else high = middle - 1;
    }
    return low;
}

void core_round(struct core *core, const uint32_t *sums, const uint32_t *squares, uint32_t now_ms) {
    const int32_t *of = core->calibration;
    for (uint8_t n = 0; n < CHANNELS; n++) {
        core->sum[n] = sums[n];
        /* variance times LOOKS squared, then its root in 1/100 counts */
        uint64_t spread = (uint64_t)squares[n] * LOOKS - (uint64_t)sums[n] * sums[n];
        uint64_t hundredths = spread * 10000UL / ((uint32_t)LOOKS * LOOKS);
        core->noise_c[n] = root(hundredths > 4000000000ULL ? 4000000000UL : (uint32_t)hundredths);
    }
    core->cell_uV = scaled(sums[CELL], of[CELL_NV_PER_COUNT], of[CELL_OFFSET_UV]);
    int32_t load_uV = scaled(sums[LOAD], of[LOAD_NV_PER_COUNT], of[LOAD_OFFSET_UV]);
    core->load_uA = (int32_t)(-(int64_t)load_uV * 1000000L / of[SHUNT_UOHM]); /* out of the cell: negative */
    core->degC_c[0] = centidegrees(sums[NTC_CELL], of + NTC_CELL_SERIES_OHM);
    core->degC_c[1] = centidegrees(sums[NTC_SECOND], of + NTC_SECOND_SERIES_OHM);
    core->measured = true;
    core_tick(core, now_ms);
}

/* ---- what opens by itself ------------------------------------------------------------------------ */

static enum trip beyond(const struct core *core) {
    const struct limits *limits = &core->limits;
    if (core->cell_uV < limits->low_mV * 1000L) return LOW;
    if (core->cell_uV > limits->high_mV * 1000L) return HIGH;
    bool watched = limits->low_cdegC != NO_VALUE || limits->high_cdegC != NO_VALUE;
    if (watched && core->degC_c[0] == NO_VALUE) return SENSOR;
    for (uint8_t n = 0; watched && n < 2; n++) {
        if (core->degC_c[n] == NO_VALUE) continue; /* the second one need not be there */
        if (n == 0 && limits->low_cdegC != NO_VALUE && core->degC_c[n] < limits->low_cdegC) return COLD;
        if (limits->high_cdegC != NO_VALUE && core->degC_c[n] > limits->high_cdegC) return WARM;
    }
    return NONE;
}

static uint32_t held_s(const struct core *core, uint32_t now_ms) {
    uint32_t more_ms = core->contact == OPEN ? 0 : now_ms - core->since_ms;
    return (core->held_ms + more_ms) / 1000UL;
}

static void let_go(struct core *core, enum trip why, uint32_t now_ms) {
    bool was = core->contact != OPEN;
    open_now(core, why);
    if (was) core->held_ms += now_ms - core->since_ms;
}

/* Called after each round with new values, and between rounds without. */
static void watch(struct core *core, uint32_t now_ms) {
    if (core->contact == OPEN) return;
    if (now_ms - core->beat_ms >= BEAT_LIMIT_MS) { let_go(core, BEAT, now_ms); return; }
    if (held_s(core, now_ms) >= (uint32_t)core->limits.longest_s) let_go(core, TIME, now_ms);
}

static void report(struct core *core, uint32_t now_ms) {
    char body[LINE_MOST], first[12], second[12];
    snprintf(body, sizeof body, "%d R %lu %ld %ld %s %s %s %s", PROTOCOL, (unsigned long)now_ms, (long)core->cell_uV,
             (long)core->load_uA, shown(core->degC_c[0], first), shown(core->degC_c[1], second),
             contacts[core->contact], trips[core->trip]);
    send(body);
    core->report_ms = now_ms;
}

void core_tick(struct core *core, uint32_t now_ms) {
    enum contact before = core->contact;
    if (core->measured && core->contact != OPEN) {
        enum trip why = beyond(core);
        core->suspect_rounds = why == NONE || why != core->suspect ? (why != NONE) : core->suspect_rounds + 1;
        core->suspect = why;
        if (why != NONE && core->suspect_rounds >= CONFIRM_ROUNDS) let_go(core, why, now_ms);
    }
    watch(core, now_ms);
    if (core->measured && (core->contact != before || now_ms - core->report_ms >= REPORT_MS)) report(core, now_ms);
}

static void beat(struct core *core, enum contact wanted, uint32_t now_ms) {
    if (core->contact != OPEN && core->contact != wanted) { let_go(core, NONE, now_ms); return; }
    core->beat_ms = now_ms;
    if (core->contact != OPEN || !core->armed || core->trip != NONE || !core->measured) return;
    enum trip why = beyond(core);
    if (why == NONE && held_s(core, now_ms) >= (uint32_t)core->limits.longest_s) why = TIME;
    if (why != NONE) { core->trip = why; return; }
    core->contact = wanted;
    core->since_ms = now_ms;
    board_contact(true);
    report(core, now_ms);
}

/* ---- orders --------------------------------------------------------------------------------------- */

static bool number(const char *text, int32_t *value) {
    bool negative = *text == '-';
    if (negative) text++;
    if (!*text || strlen(text) > 10) return false;
    int64_t read = 0;
    for (; *text; text++) {
        if (*text < '0' || *text > '9') return false;
        read = read * 10 + (*text - '0');
    }
    if (read > INT32_MAX) return false;
    *value = (int32_t)(negative ? -read : read);
    return true;
}

static bool number_or_none(const char *text, int32_t *value) {
    if (strcmp(text, "-") == 0) { *value = NO_VALUE; return true; }
    return number(text, value);
}

static void refuse(const char *tag, const char *why) {
    char body[24];
    snprintf(body, sizeof body, "%d N %s %s", PROTOCOL, tag, why);
    send(body);
}

static void tell_limits(struct core *core, const char *tag, uint32_t now_ms) {
    char body[LINE_MOST], each[5][12];
    const struct limits *limits = &core->limits;
    snprintf(body, sizeof body, "%d L %s %s %s %s %s %s %s %lu", PROTOCOL, tag, shown(limits->low_mV, each[0]),
             shown(limits->high_mV, each[1]), shown(limits->low_cdegC, each[2]), shown(limits->high_cdegC, each[3]),
             shown(limits->longest_s, each[4]), core->armed ? "armed" : "unarmed",
             (unsigned long)held_s(core, now_ms));
    send(body);
}

static void arm(struct core *core, char **fields, uint32_t now_ms) {
    struct limits wanted;
    const char *tag = fields[0];
    if (core->contact != OPEN) { refuse(tag, "held"); return; }
    if (!core->calibrated) { refuse(tag, "calibration"); return; }
    if (!number(fields[1], &wanted.low_mV) || !number(fields[2], &wanted.high_mV) ||
        !number_or_none(fields[3], &wanted.low_cdegC) || !number_or_none(fields[4], &wanted.high_cdegC) ||
        !number(fields[5], &wanted.longest_s)) { refuse(tag, "order"); return; }
    bool fits = wanted.low_mV >= WIDEST_LOW_MV && wanted.high_mV <= WIDEST_HIGH_MV && wanted.low_mV < wanted.high_mV &&
                wanted.longest_s >= 1 && wanted.longest_s <= WIDEST_LONGEST_S;
    if (wanted.low_cdegC != NO_VALUE)
        fits = fits && wanted.low_cdegC >= WIDEST_LOW_CDEGC && wanted.low_cdegC <= WIDEST_HIGH_CDEGC;
    if (wanted.high_cdegC != NO_VALUE)
        fits = fits && wanted.high_cdegC >= WIDEST_LOW_CDEGC && wanted.high_cdegC <= WIDEST_HIGH_CDEGC &&
               (wanted.low_cdegC == NO_VALUE || wanted.low_cdegC < wanted.high_cdegC);
    if (!fits) { refuse(tag, "range"); return; }
    core->limits = wanted;
    core->armed = true;
    core->trip = NONE;
    core->held_ms = 0;
    tell_limits(core, tag, now_ms);
}

static void put(struct core *core, char **fields, bool write) {
    int32_t index, value;
    char body[40];
    const char *tag = fields[0];
    if (!number(fields[1], &index) || index < 0 || index >= CALIBRATIONS) { refuse(tag, "range"); return; }
    if (write) {
        if (core->contact != OPEN) { refuse(tag, "held"); return; }
        if (!number(fields[2], &value) || value < least[index] || value > most[index]) { refuse(tag, "range"); return; }
        core->calibration[index] = value;
        core->limits = no_limits;
        core->armed = false; /* limits were armed against other values */
        core->trip = UNARMED;
        core->calibrated = true;
        board_keep(core->calibration);
    }
    snprintf(body, sizeof body, "%d C %s %ld %ld", PROTOCOL, tag, (long)index, (long)core->calibration[index]);
    send(body);
}

/* What one count is worth at the value measured last, and how far single looks are spread: uV, uA, mK. */
static void tell_quality(const struct core *core, const char *tag) {
    char body[LINE_MOST];
    long step[CHANNELS], noise[CHANNELS];
    step[CELL] = core->calibration[CELL_NV_PER_COUNT] / 1000L;
    step[LOAD] = (long)((int64_t)core->calibration[LOAD_NV_PER_COUNT] * 1000L / core->calibration[SHUNT_UOHM]);
    for (uint8_t n = 0; n < 2; n++) {
        const int32_t *of = core->calibration + (n ? NTC_SECOND_SERIES_OHM : NTC_CELL_SERIES_OHM);
        uint32_t sum = core->sum[NTC_CELL + n];
        int32_t above = centidegrees(sum + 2 * LOOKS, of);
        int32_t below = sum > 2 * LOOKS ? centidegrees(sum - 2 * LOOKS, of) : NO_VALUE;
        step[NTC_CELL + n] = above == NO_VALUE || below == NO_VALUE ? 0 : (long)(below - above) * 10L / 4L;
    }
    for (uint8_t n = 0; n < CHANNELS; n++) noise[n] = (long)((int64_t)step[n] * core->noise_c[n] / 100);
    snprintf(body, sizeof body, "%d Q %s %ld %ld %ld %ld %ld %ld %ld %ld", PROTOCOL, tag, step[0], step[1], step[2],
             step[3], noise[0], noise[1], noise[2], noise[3]);
    send(body);
}

static void order(struct core *core, char *body, uint32_t now_ms) {
    char *fields[10];
    uint8_t count = 0;
    for (char *word = strtok(body, " "); word; word = strtok(NULL, " ")) {
        if (count == 10) return;
        fields[count++] = word;
    }
    if (count < 2 || strcmp(fields[0], "1") != 0 || strlen(fields[1]) != 1) return; /* another protocol: not ours */
    char kind = fields[1][0];
    if (kind == 'B' && count == 3) {
        if (strcmp(fields[2], "d") == 0) beat(core, DISCHARGE, now_ms);
        if (strcmp(fields[2], "c") == 0) beat(core, CHARGE, now_ms);
        return;
    }
    if (kind == 'O' && count == 2) {
        let_go(core, NONE, now_ms);
        if (core->measured) report(core, now_ms);
        return;
    }
    if (count < 3 || strlen(fields[2]) != 2) return;
    char **rest = fields + 2;
    char text[LINE_MOST];
    count -= 3;
    if (kind == 'H' && count == 0) {
        snprintf(text, sizeof text, "%d H %s avr %d %s %s %lu %lu", PROTOCOL, rest[0], PROGRAM, core->reset,
                 core->calibrated ? "calibrated" : "uncalibrated", BEAT_LIMIT_MS, ROUND_MS * CONFIRM_ROUNDS);
        send(text);
    } else if (kind == 'W' && count == 0) {
        snprintf(text, sizeof text, "%d W %s %ld %ld %ld %ld %ld", PROTOCOL, rest[0], WIDEST_LOW_MV, WIDEST_HIGH_MV,
                 WIDEST_LOW_CDEGC, WIDEST_HIGH_CDEGC, WIDEST_LONGEST_S);
        send(text);
    } else if (kind == 'A' && count == 5) arm(core, rest, now_ms);
    else if (kind == 'L' && count == 0) tell_limits(core, rest[0], now_ms);
    else if (kind == 'C' && count == 1) put(core, rest, false);
    else if (kind == 'P' && count == 2) put(core, rest, true);
    else if (kind == 'Q' && count == 0) tell_quality(core, rest[0]);
    else refuse(rest[0], "order");
}

/* "BODY ~CCCC": the checksum has to be there and right, or the line is nothing. */
static void take_line(struct core *core, uint32_t now_ms) {
    uint8_t length = core->length;
    char *line = core->line;
    if (length < 7 || line[length - 6] != ' ' || line[length - 5] != '~') return;
    uint16_t told = 0;
    for (uint8_t n = length - 4; n < length; n++) {
        char c = line[n];
        if (c >= '0' && c <= '9') told = told * 16 + (uint16_t)(c - '0');
        else if (c >= 'A' && c <= 'F') told = told * 16 + (uint16_t)(c - 'A' + 10);
        else return;
    }
    if (crc_of(line, length - 6) != told) return;
    line[length - 6] = 0;
    order(core, line, now_ms);
}

void core_byte(struct core *core, char byte, uint32_t now_ms) {
    if ((core->length || core->spoiled) && now_ms - core->byte_ms > SPOIL_MS) core->spoiled = true;
    core->byte_ms = now_ms;
    if (byte == '\n') {
        if (!core->spoiled) take_line(core, now_ms);
        core->length = 0;
        core->spoiled = false;
    } else if (byte < 32 || byte > 126 || core->length >= LINE_MOST) {
        core->spoiled = true;
    } else {
        core->line[core->length++] = byte;
    }
}
