/* A board in simavr with a cell, a resistor and two thermistors at its pins.
 *
 * bench ELF EEPROM [pty]   EEPROM: a file that stands for the chip's, read at the start, written at the end and on `keep`
 *
 * Orders on standard input, one a line; each answered by what happened, then a line ".":
 *   run MS | send HEX | volts V|- (fixed, or the model's) | soc X | capacity AH | warm N DEGC|- (- unplugs) | noise COUNTS | cut (power) | keep | quit
 * Told: "P MS 0|1" gate, "U TEXT" a line sent, "F FLOAT|DRIVEN" the gate's pin after a reset, "Z MS SOC".
 * With `pty`: prints "T PATH" and runs beside the clock on the wall; gates are told as they come; orders as above, unanswered.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_hex.h>

#define CELL_OHM 0.15
#define LOAD_OHM 10.0

static avr_t *avr;
static int gate, master = -1, free_running;
static double capacity_Ah = 0.020, soc = 1.0, fixed_V = NAN, degC[2] = {25.0, 22.0}, noise;
static double over_load_V, cell_V;
static avr_cycle_count_t model_cycle;
static char line[512], out_buffer[4096];
static size_t line_length;
static unsigned char waiting[4096];
static size_t waiting_head, waiting_tail;
static int xon = 1;
static const char *eeprom_path;
static unsigned long long passed; /* cycles before the last cut of power */

static double ms(void) { return (double)(passed + avr->cycle) * 1000.0 / avr->frequency; }

static void model(void) {
    double dt_h = (double)(avr->cycle - model_cycle) / avr->frequency / 3600.0;
    model_cycle = avr->cycle;
    double ocv = soc > 0.1 ? 3.3 + 0.9 * (soc - 0.1) / 0.9 : 2.5 + 0.8 * fmax(soc, 0.0) / 0.1;
    if (!isnan(fixed_V)) ocv = fixed_V;
    double amperes = gate ? ocv / (LOAD_OHM + CELL_OHM) : 0.0;
    soc -= amperes * dt_h / capacity_Ah;
    cell_V = ocv - amperes * CELL_OHM;
    over_load_V = amperes * LOAD_OHM;
}

/* An NTC of 10 kohm by a beta formula of its own: 3380 K. */
static double ntc_V(double at_degC) {
    if (isnan(at_degC)) return 2.499;
    double ohm = 10000.0 * exp(3380.0 * (1.0 / (at_degC + 273.15) - 1.0 / 298.15));
    return 2.5 * ohm / (ohm + 10000.0);
}

static double gauss(void) {
    double sum = 0.0;
    for (int n = 0; n < 12; n++) sum += rand() / (double)RAND_MAX;
    return sum - 6.0;
}

static void on_look(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    union { avr_adc_mux_t mux; uint32_t v; } asked = {.v = value};
    model();
    double volts = asked.mux.src == 0 ? cell_V / 2 : asked.mux.src == 1 ? over_load_V / 2 : ntc_V(degC[asked.mux.src - 2]);
    volts += gauss() * noise * 2.5 / 1024.0;
    if (volts < 0) volts = 0;
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, asked.mux.src), (uint32_t)lround(volts * 1000.0));
}

static void on_gate(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    if ((int)value == gate) return;
    model();
    gate = (int)value;
    printf("P %.1f %d\n", ms(), gate);
    if (free_running) fflush(stdout);
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    char c = (char)value;
    if (master >= 0) { if (write(master, &c, 1) < 0) return; }
    if (c == '\n' || line_length == sizeof line - 1) {
        line[line_length] = 0;
        if (!free_running) printf("U %s\n", line);
        line_length = 0;
    } else line[line_length++] = c;
}

static void on_xon(avr_irq_t *irq, uint32_t value, void *param) { (void)irq, (void)value, (void)param; xon = 1; }
static void on_xoff(avr_irq_t *irq, uint32_t value, void *param) { (void)irq, (void)value, (void)param; xon = 0; }
static void no_sleep(avr_t *one, avr_cycle_count_t cycles) { (void)one, (void)cycles; }

static void keep(void) {
    uint8_t bytes[1024];
    avr_eeprom_desc_t all = {.ee = bytes, .offset = 0, .size = sizeof bytes};
    avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &all);
    FILE *file = fopen(eeprom_path, "wb");
    if (file) { fwrite(bytes, 1, sizeof bytes, file); fclose(file); }
}

static void begin(const char *elf) {
    static elf_firmware_t program;
    memset(&program, 0, sizeof program);
    if (elf_read_firmware(elf, &program)) { fprintf(stderr, "%s: no program\n", elf); exit(2); }
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    avr->log = LOG_NONE;
    program.frequency = 16000000;
    program.vcc = program.avcc = 5000;
    program.aref = 2500;
    avr_load_firmware(avr, &program);
    avr->frequency = 16000000;
    avr->vcc = avr->avcc = 5000;
    avr->aref = 2500;
    avr->sleep = no_sleep;
    model_cycle = 0;
    uint8_t bytes[1024];
    memset(bytes, 0xFF, sizeof bytes);
    FILE *file = fopen(eeprom_path, "rb");
    if (file) { if (!fread(bytes, 1, sizeof bytes, file)) memset(bytes, 0xFF, sizeof bytes); fclose(file); }
    avr_eeprom_desc_t all = {.ee = bytes, .offset = 0, .size = sizeof bytes};
    avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &all);
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_look, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 4), on_gate, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), on_xon, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), on_xoff, NULL);
}

static void run(double for_ms) {
    avr_cycle_count_t until = avr->cycle + (avr_cycle_count_t)(for_ms * avr->frequency / 1000.0), next = 0;
    while (avr->cycle < until) {
        if (avr->cycle >= next && waiting_tail != waiting_head && xon) { /* a byte each 260 us: 38400 baud */
            avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), waiting[waiting_tail]);
            waiting_tail = (waiting_tail + 1) % sizeof waiting;
            next = avr->cycle + avr->frequency / 3840;
        }
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) { printf("X %d\n", state); fflush(stdout); exit(3); }
    }
    model();
}

static void queue(unsigned char byte) {
    waiting[waiting_head] = byte;
    waiting_head = (waiting_head + 1) % sizeof waiting;
}

static int obey(char *order, const char *elf) {
    char word[16] = "", text[1024] = "", more[64] = "";
    sscanf(order, "%15s %1023s %63s", word, text, more);
    if (!strcmp(word, "quit")) return 0;
    if (!strcmp(word, "run")) run(atof(text));
    if (!strcmp(word, "send"))
        for (size_t n = 0; n + 1 < strlen(text); n += 2) {
            unsigned byte;
            sscanf(text + n, "%2x", &byte);
            queue((unsigned char)byte);
        }
    if (!strcmp(word, "volts")) fixed_V = strcmp(text, "-") ? atof(text) : NAN;
    if (!strcmp(word, "soc")) soc = atof(text);
    if (!strcmp(word, "capacity")) capacity_Ah = atof(text);
    if (!strcmp(word, "warm")) degC[atoi(text)] = strcmp(more, "-") ? atof(more) : NAN;
    if (!strcmp(word, "noise")) noise = atof(text);
    if (!strcmp(word, "keep")) keep();
    if (!strcmp(word, "cut")) { /* the pin floats, and its pull-down opens the contact */
        keep();
        model();
        passed += avr->cycle;
        if (gate) { gate = 0; printf("P %.1f 0\n", ms()); }
        begin(elf);
        waiting_head = waiting_tail = line_length = 0;
    }
    if (!strcmp(word, "pin")) printf("F %s\n", avr->data[0x2A] & 0x10 ? "DRIVEN" : "FLOAT");
    if (!strcmp(word, "where")) printf("Z %.1f %.6f\n", ms(), soc);
    return 1;
}

static void beside_the_wall(const char *elf) {
    master = posix_openpt(O_RDWR | O_NOCTTY);
    grantpt(master);
    unlockpt(master);
    int slave = open(ptsname(master), O_RDWR | O_NOCTTY); /* kept open, so that the port outlives who opens it */
    struct termios raw;
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    printf("T %s\n", ptsname(master));
    free_running = 1;
    fcntl(master, F_SETFL, O_NONBLOCK);
    struct timespec began, now;
    clock_gettime(CLOCK_MONOTONIC, &began);
    for (;;) {
        fflush(stdout);
        run(5.0);
        clock_gettime(CLOCK_MONOTONIC, &now);
        double wall_ms = (now.tv_sec - began.tv_sec) * 1e3 + (now.tv_nsec - began.tv_nsec) / 1e6;
        if (ms() > wall_ms) usleep((useconds_t)((ms() - wall_ms) * 1000.0));
        unsigned char bytes[64];
        ssize_t got = read(master, bytes, sizeof bytes);
        for (ssize_t n = 0; n < got; n++) queue(bytes[n]);
        struct pollfd in = {.fd = 0, .events = POLLIN};
        char order[1200];
        if (poll(&in, 1, 0) > 0 && (!fgets(order, sizeof order, stdin) || !obey(order, elf))) return;
    }
}

int main(int count, char **words) {
    if (count < 3) return 2;
    eeprom_path = words[2];
    setvbuf(stdout, out_buffer, _IOFBF, sizeof out_buffer);
    begin(words[1]);
    if (count > 3) { setvbuf(stdin, NULL, _IONBF, 0); beside_the_wall(words[1]); keep(); return 0; }
    char order[1200];
    while (fgets(order, sizeof order, stdin)) {
        if (!obey(order, words[1])) break;
        printf(".\n");
        fflush(stdout);
    }
    keep();
    return 0;
}
