/* The board: an ATmega328P at 16 MHz. Wiring, fuses and calibration: docs/board.md.
 *
 * PC0 cell through its divider, PC1 over the resistor or shunt, PC2 and PC3 thermistors, AREF 2.500 V;
 * PD4 the gate (high: contact made; a 10 kohm pull-down keeps it low while the pin floats), PB5 a lamp that
 * shows the same. Serial line 38400 baud, 8 bits, no parity.
 */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <string.h>

#include "core.h"

#define BAUD_REGISTER (F_CPU / 8UL / 38400UL - 1UL) /* double speed: 38462 baud at 16 MHz, 0.2 % high */
#define GATE PD4
#define LAMP PB5

/* Crystal; brown-out detector at 4.3 V; EEPROM kept when a new program is loaded. */
FUSES = {.low = 0xFF, .high = 0xD1, .extended = 0xFC};

static struct core core;
static volatile uint32_t ticks_ms;
static volatile uint8_t arrived[128], head, tail;
static uint8_t reset_flags __attribute__((section(".noinit")));

/* Before anything else: a watchdog that has bitten stays armed with its shortest time. */
void first_of_all(void) __attribute__((naked, used, section(".init3")));
void first_of_all(void) {
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_500MS);
}

ISR(TIMER0_COMPA_vect) { ticks_ms++; }
ISR(ADC_vect) {}
ISR(USART_RX_vect) {
    uint8_t broken = UCSR0A & (_BV(FE0) | _BV(DOR0)), byte = UDR0, next = (head + 1) % sizeof arrived;
    if (broken) byte = 0; /* not printable: spoils its line */
    if (next != tail) {
        arrived[head] = byte;
        head = next;
    }
}

static uint32_t now_ms(void) {
    cli();
    uint32_t ms = ticks_ms;
    sei();
    return ms;
}

void board_contact(bool made) {
    if (made) {
        PORTD |= _BV(GATE);
        PORTB |= _BV(LAMP);
    } else {
        PORTD &= ~_BV(GATE);
        PORTB &= ~_BV(LAMP);
    }
}

void board_send(const char *text, uint8_t length) {
    while (length--) {
        while (!(UCSR0A & _BV(UDRE0))) {}
        UDR0 = *text++;
    }
}

/* ---- calibration: twice, each with its checksum, so that a cut while writing loses neither ------- */

struct kept {
    uint8_t version;
    int32_t values[CALIBRATIONS];
    uint16_t crc;
};
static struct kept EEMEM places[2];

static uint16_t kept_crc(const struct kept *kept) {
    uint16_t crc = 0xFFFF;
    const uint8_t *byte = (const uint8_t *)kept;
    for (uint8_t n = 0; n < sizeof *kept - sizeof kept->crc; n++) crc = core_crc(crc, byte[n]);
    return crc;
}

void board_keep(const int32_t *calibration) {
    struct kept kept = {.version = 1};
    memcpy(kept.values, calibration, sizeof kept.values);
    kept.crc = kept_crc(&kept);
    for (uint8_t place = 0; place < 2; place++)
        for (uint8_t n = 0; n < sizeof kept; n++) {
            eeprom_update_byte((uint8_t *)&places[place] + n, ((uint8_t *)&kept)[n]);
            wdt_reset();
        }
}

static void recall(void) {
    struct kept kept;
    memcpy(core.calibration, core_defaults, sizeof core.calibration);
    core.calibrated = false;
    for (uint8_t place = 0; place < 2; place++) {
        eeprom_read_block(&kept, &places[place], sizeof kept);
        if (kept.version == 1 && kept.crc == kept_crc(&kept) && core_calibration_fits(kept.values)) {
            memcpy(core.calibration, kept.values, sizeof core.calibration);
            core.calibrated = true;
            return;
        }
    }
}

/* ---- measuring ----------------------------------------------------------------------------------- */

static uint16_t look(void) {
    ADCSRA |= _BV(ADSC);
    while (ADCSRA & _BV(ADSC)) sleep_mode();
    return ADC;
}

static void hear(void) {
    while (tail != head) {
        char byte = (char)arrived[tail];
        tail = (tail + 1) % sizeof arrived;
        core_byte(&core, byte, now_ms());
    }
}

static void round_of_looks(void) {
    uint32_t sums[CHANNELS], squares[CHANNELS];
    for (uint8_t n = 0; n < CHANNELS; n++) {
        ADMUX = n; /* reference at AREF */
        look();    /* the first one after changing pins is thrown away */
        sums[n] = squares[n] = 0;
        for (uint8_t times = 0; times < LOOKS; times++) {
            uint16_t counts = look();
            sums[n] += counts;
            squares[n] += (uint32_t)counts * counts;
        }
        hear();
    }
    core_round(&core, sums, squares, now_ms());
}

int main(void) {
    PORTD &= ~_BV(GATE);
    DDRD |= _BV(GATE);
    PORTB &= ~_BV(LAMP);
    DDRB |= _BV(LAMP);
    core_start(&core, reset_flags & _BV(WDRF)   ? "watchdog"
                      : reset_flags & _BV(PORF) ? "power"
                      : reset_flags & _BV(BORF) ? "brown-out"
                      : reset_flags & _BV(EXTRF) ? "line"
                                                 : "unknown");
    recall();
    TCCR0A = _BV(WGM01);
    TCCR0B = _BV(CS01) | _BV(CS00); /* 16 MHz / 64 / 250 = 1 kHz */
    OCR0A = F_CPU / 64UL / 1000UL - 1UL;
    TIMSK0 = _BV(OCIE0A);
    UCSR0A = _BV(U2X0);
    UBRR0 = BAUD_REGISTER;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz: 104 us for a look */
    DIDR0 = 0x0F;
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    uint32_t round_ms = now_ms();
    for (;;) {
        wdt_reset();
        hear();
        if (now_ms() - round_ms >= ROUND_MS) {
            round_ms += ROUND_MS;
            round_of_looks();
        }
#ifdef HANG_AT_MS /* only in the build that shows what the watchdog does */
        if (now_ms() >= HANG_AT_MS)
            for (;;) {}
#endif
        sleep_mode();
    }
}
