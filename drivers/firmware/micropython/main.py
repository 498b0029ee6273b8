"""The board under MicroPython: pins, clock, files and watchdog around `logic`. Wiring: docs/board.md.

Set the numbers below for your board. Copy this file and `logic.py` onto it.
"""

import os
import time

import machine
from logic import LOOKS, Logic

GATE, LAMP = 15, 25  # the gate needs its own pull-down of 10 kohm: the pin floats while the board starts
CELL, LOAD, NTC_CELL, NTC_SECOND = 26, 27, 28, 29  # converter inputs
UART, BAUD = 0, 38400
FULL_SCALE = 65536  # read_u16 gives 16 bits whatever the converter has
FILES = ("calibration.txt", "calibration-2.txt")

gate = machine.Pin(GATE, machine.Pin.OUT, value=0)
lamp = machine.Pin(LAMP, machine.Pin.OUT, value=0)
bitten = machine.reset_cause() == machine.WDT_RESET
dog = machine.WDT(timeout=2000)
line = machine.UART(UART, BAUD)
inputs = [machine.ADC(machine.Pin(pin)) for pin in (CELL, LOAD, NTC_CELL, NTC_SECOND)]


def contact(made):
    """Make or open the contact."""
    gate.value(1 if made else 0)
    lamp.value(1 if made else 0)


def recall():
    """Return what the two files hold, as far as they are there."""
    found = []
    for name in FILES:
        try:
            with open(name, "rb") as file:  # noqa: PTH123  MicroPython has no pathlib
                found.append(file.read())
        except OSError:
            continue
    return found


def keep(data):
    """Write both files, one after the other: a cut loses at most one."""
    for name in FILES:
        with open(name, "wb") as file:  # noqa: PTH123
            file.write(data)
            file.flush()
        dog.feed()
    if hasattr(os, "sync"):
        os.sync()


# 65536 counts: one count of read_u16 is a 64th of a 10-bit one, and the calibration's defaults follow.
logic = Logic(line.write, keep, contact, "watchdog" if bitten else "power", recall(), counts=FULL_SCALE)
if not logic.calibrated:
    logic.calibration[0] = logic.calibration[2] = 4882812 * 1024 // FULL_SCALE
try:
    began, uptime, due = time.ticks_ms(), 0, 0
    while True:
        uptime += time.ticks_diff(time.ticks_ms(), began)  # counts on where the board's own ticks start again at 0
        began = time.ticks_ms()
        waiting = line.any()
        if waiting:
            logic.feed(line.read(waiting), uptime)
        logic.watch(uptime)
        if uptime >= due:
            due = uptime + logic.round_ms
            looks = [[one.read_u16() for _ in range(LOOKS)] for one in inputs]
            logic.round([sum(each) for each in looks], [sum(n * n for n in each) for each in looks], uptime)
        dog.feed()
        time.sleep_ms(2)
finally:
    contact(False)  # an error, or Ctrl-C: never left made
