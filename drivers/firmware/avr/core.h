/* The board's logic, free of the board: lines in, lines out, and whether the contact may be made.
 *
 * Knows no register and no clock: it is handed milliseconds, bytes and sums of looks. The MicroPython
 * program (../micropython/logic.py) does the same, word for word; docs/board.md describes both.
 */
#ifndef CORE_H
#define CORE_H

#include <stdbool.h>
#include <stdint.h>

#include "constants.h"

enum channel { CELL, LOAD, NTC_CELL, NTC_SECOND, CHANNELS };

enum calibration {
    CELL_NV_PER_COUNT,  /* cell: nV for one count */
    CELL_OFFSET_UV,     /* taken off */
    LOAD_NV_PER_COUNT,  /* over the resistor or shunt */
    LOAD_OFFSET_UV,
    SHUNT_UOHM,
    NTC_CELL_SERIES_OHM,
    NTC_CELL_A,         /* Steinhart-Hart: a and b in 1e-9, c in 1e-12 */
    NTC_CELL_B,
    NTC_CELL_C,
    NTC_SECOND_SERIES_OHM,
    NTC_SECOND_A,
    NTC_SECOND_B,
    NTC_SECOND_C,
    CALIBRATIONS
};

enum contact { OPEN, DISCHARGE, CHARGE };
enum trip { NONE, UNARMED, BEAT, LOW, HIGH, COLD, WARM, TIME, SENSOR };

#define NO_VALUE INT32_MIN /* no sensor, or no limit */

struct limits {
    int32_t low_mV, high_mV;
    int32_t low_cdegC, high_cdegC; /* NO_VALUE: not watched */
    int32_t longest_s;
};

struct core {
    /* calibration and where it is kept */
    int32_t calibration[CALIBRATIONS];
    bool calibrated;
    /* the last round */
    bool measured;
    int32_t cell_uV, load_uA, degC_c[2];
    uint32_t noise_c[CHANNELS]; /* standard deviation of one look, in 1/100 counts */
    uint32_t sum[CHANNELS];
    /* what holds the contact */
    struct limits limits;
    bool armed;
    enum contact contact;
    enum trip trip;
    enum trip suspect;
    uint8_t suspect_rounds;
    uint32_t beat_ms, held_ms, since_ms;
    const char *reset;
    /* the line that is coming in */
    char line[LINE_MOST + 1];
    uint8_t length;
    bool spoiled;
    uint32_t byte_ms;
    uint32_t report_ms;
};

/* Given by the board. */
void board_send(const char *text, uint8_t length);
void board_keep(const int32_t *calibration); /* into both places of the EEPROM */
void board_contact(bool made);

void core_start(struct core *core, const char *reset);
void core_byte(struct core *core, char byte, uint32_t now_ms);
void core_round(struct core *core, const uint32_t *sums, const uint32_t *squares, uint32_t now_ms);
void core_tick(struct core *core, uint32_t now_ms);
uint16_t core_crc(uint16_t crc, uint8_t byte);
bool core_calibration_fits(const int32_t *calibration);
extern const int32_t core_defaults[CALIBRATIONS];

#endif
