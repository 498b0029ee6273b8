# ruff: noqa: E501  (words that are drawn stand on the line that they are drawn as)
"""The wiring drawings of docs/wiring.md, one a kind of bench; `python tests/support/wiring_pictures.py` writes them anew.

Each is drawn here, and nowhere else: a test compares the files with what this script draws, and asks each for its fuse,
its cautions and its words for people who do not see it.
"""

from collections.abc import Callable
from pathlib import Path

from wiring_sheet import Sheet

FOLDER = Path(__file__).parents[2] / "docs" / "pictures"

FUSE = "Fuse at the cell's plus, at most twice the largest current of the plan. It is the last thing that opens."
HAND = (
    "Voltage and polarity with a hand meter before anything is joined: a reversed cell conducts before software acts."
)
PLACE = "Holder on a surface that cannot burn, nothing that burns within a metre, a smoke alarm in the room."
CHARGE = "Charging cells are not left alone. Local rules and licensed practice come first."


def load_and_supply() -> Sheet:
    """The bench of the README."""
    sheet = Sheet(
        "Load and supply",
        "The cell's plus goes through a fuse to a node. From there one way leads to the electronic load's plus, the other "
        "through a relay contact that is open at rest to the supply's plus. Both minus terminals go to the cell's minus. "
        "The load's two sense wires start at the holder. A temperature sensor lies on the cell's can.",
        640,
    )
    _cell_with_sensor(sheet)
    sheet.wire((120, 200), (120, 150), (180, 150))
    sheet.fuse(180, 150)
    sheet.wire((240, 150), (600, 150), (600, 240), (700, 240))
    sheet.dot(330, 150)
    sheet.wire((330, 150), (330, 110), (390, 110))
    sheet.contact(390, 110, ())
    sheet.wire((450, 110), (700, 110))
    sheet.text(466, 82, "relay: open at rest, made for a charge", 12)
    sheet.text(466, 98, "while the computer's beat arrives", 12)
    sheet.box(700, 80, 220, 80, "supply")
    sheet.pin(700, 110, "+")
    sheet.pin(920, 110, "−", right=True)
    sheet.wire((920, 110), (950, 110), (950, 430), (120, 430))
    sheet.box(700, 210, 220, 170, "electronic load", at=0.64)
    for y, words in ((240, "+"), (280, "sense +"), (320, "sense −"), (360, "−")):
        sheet.pin(700, y, words)
    sheet.wire((700, 360), (650, 360), (650, 430))
    sheet.dot(650, 430)
    sheet.wire((120, 430), (120, 274))
    _sense(sheet, 280, 320, 700)
    sheet.cautions(500, (FUSE, HAND, PLACE, CHARGE))
    return sheet


def load_only() -> Sheet:
    """Discharges only: nothing on this bench can charge."""
    sheet = Sheet(
        "Load only",
        "The cell's plus goes through a fuse to the electronic load's plus, its minus to the load's minus. The load's two "
        "sense wires start at the holder. A temperature sensor lies on the cell's can.",
        560,
    )
    _cell_with_sensor(sheet, to_y=405)
    sheet.wire((120, 200), (120, 130), (180, 130))
    sheet.fuse(180, 130)
    sheet.wire((240, 130), (700, 130))
    sheet.box(700, 100, 220, 190, "electronic load", ("its own cut-off is armed",), 0.64)
    for y, words in ((130, "+"), (230, "sense −"), (160, "sense +"), (260, "−")):
        sheet.pin(700, y, words)
    sheet.wire((700, 260), (650, 260), (650, 370), (120, 370), (120, 274))
    sheet.wire((120, 200), (300, 200), (300, 160), (700, 160), kind="sense")
    sheet.dot(120, 200, "sense")
    sheet.wire((120, 274), (560, 274), (560, 230), (700, 230), kind="sense")
    sheet.dot(120, 274, "sense")
    sheet.text(320, 178, "sense wires: from the holder's contacts", 12)
    sheet.cautions(
        430,
        (FUSE, HAND, PLACE, "A cut-off that does not latch starts again when the cell recovers: bench check says it."),
    )
    return sheet


def resistor_and_logger() -> Sheet:
    """The least there is: a resistor clipped on by hand, and something that reads the voltage."""
    sheet = Sheet(
        "Resistor and logger, by hand",
        "The cell's plus goes through a fuse to a clip. A power resistor is clipped on by hand between the clip and the "
        "cell's minus. The logger's two sense wires start at the holder; its temperature sensor lies on the cell's can. "
        "Nothing here can be switched by the computer.",
        580,
    )
    _cell_with_sensor(sheet, to_y=400)
    sheet.wire((120, 200), (120, 130), (180, 130))
    sheet.fuse(180, 130)
    sheet.wire((240, 130), (330, 130))
    sheet.dot(330, 130)
    sheet.wire((330, 130), (368, 112), kind="thin")
    sheet.text(350, 100, "clip, by hand", 13, bold=True, anchor="middle")
    sheet.wire((390, 130), (450, 130), (450, 180))
    sheet.dot(390, 130)
    sheet.resistor(450, 180, ("R 10 Ω, 5 W", "measured by a good meter"))
    sheet.wire((450, 260), (450, 350), (120, 350), (120, 274))
    sheet.box(720, 130, 210, 190, "logger or meter", ("divider 2 : 1,", "reference 2.500 V"))
    for y, words in ((160, "cell +"), (300, "ground")):
        sheet.pin(720, y, words)
    sheet.wire((120, 200), (290, 200), (290, 290), (670, 290), (670, 160), (720, 160), kind="sense")
    sheet.dot(120, 200, "sense")
    sheet.wire((120, 274), (230, 274), (230, 320), (690, 320), (690, 300), (720, 300), kind="sense")
    sheet.dot(120, 274, "sense")
    sheet.text(460, 312, "sense −: the only ground", 12)
    sheet.cautions(
        430,
        (
            "Nothing opens this circuit but you: stay with it, or use a holder with a protected cell's board in it.",
            "A resistor that is forgotten discharges the cell to 0 V; the cell is then waste. No charging here.",
            FUSE, HAND, PLACE,
        ),
    )  # fmt: skip
    return sheet


def resistor_and_board() -> Sheet:
    """The fallback board: it opens by itself at its own limits."""
    sheet = Sheet(
        "Resistor and fallback board",
        "The cell's plus goes through a fuse and a relay contact that is open at rest to a 10 ohm resistor and back to "
        "minus. The board reads the cell at the holder, the voltage over the resistor, and two sensors: one on the cell, "
        "one at the resistor. Its pin PD4 drives the relay through a MOSFET whose gate has 10 kilo-ohm to ground.",
        650,
    )
    _cell_with_sensor(sheet, to_y=460, words="sensor on the can: to PC2; a second one at R: to PC3")
    sheet.wire((120, 200), (120, 130), (180, 130))
    sheet.fuse(180, 130)
    sheet.wire((240, 130), (300, 130))
    sheet.contact(300, 130, ("contact,", "open at rest"))
    sheet.wire((360, 130), (450, 130), (450, 180))
    sheet.resistor(450, 180, ("R 10 Ω, 5 W",))
    sheet.wire((450, 260), (450, 390), (120, 390), (120, 274))
    sheet.box(
        700, 100, 220, 340, "fallback board", ("opens by itself: voltage,", "temperature, time,", "no beat for 5 s")
    )
    for y, words in ((130, "PC1  over R, 2 : 1"), (170, "PC0  cell, 2 : 1"), (210, "AREF  2.500 V"),
                     (330, "PC2  NTC, cell"), (360, "PC3  NTC, at R"), (390, "PD4  gate"), (420, "GND")):  # fmt: skip
        sheet.pin(700, y, words)
    sheet.dot(450, 160, "sense")
    sheet.wire((450, 160), (620, 160), (620, 130), (700, 130), kind="sense")
    sheet.wire((120, 200), (270, 200), (270, 300), (650, 300), (650, 170), (700, 170), kind="sense")
    sheet.dot(120, 200, "sense")
    sheet.wire((120, 274), (230, 274), (230, 420), (700, 420), kind="sense")
    sheet.dot(120, 274, "sense")
    sheet.text(470, 412, "sense −: the only ground", 12)
    sheet.wire((330, 118), (330, 215), kind="data")
    sheet.box(292, 215, 76, 44, "coil")
    sheet.wire((368, 240), (410, 240), (410, 345), (660, 345), (660, 390), (700, 390), kind="data")
    sheet.text(466, 337, "MOSFET, gate with 10 kΩ", 12)
    sheet.text(466, 364, "to ground: see the relay", 12)
    sheet.cautions(
        500,
        (
            "Do not leave the pull-down out: while the chip starts or is loaded, its pins float.",
            "Before the first cell, with a lamp in its place: pull the USB plug, press reset: does it open?",
            FUSE, HAND, PLACE,
        ),
    )  # fmt: skip
    return sheet


def resistor_and_supply() -> Sheet:
    """A relay with two contacts: one for the resistor, one for the supply; never both."""
    sheet = Sheet(
        "Resistor, supply and a relay of two contacts",
        "The cell's plus goes through a fuse to a node. One contact, open at rest, leads from there to the resistor, "
        "another, open at rest, to the supply's plus. Only one is ever made. Both go back to the cell's minus. A logger "
        "senses at the holder and has a sensor on the cell.",
        640,
    )
    _cell_with_sensor(sheet)
    sheet.wire((120, 200), (120, 150), (180, 150))
    sheet.fuse(180, 150)
    sheet.wire((240, 150), (410, 150))
    sheet.dot(310, 150)
    sheet.contact(410, 150, ())
    sheet.text(396, 176, "discharge,", 13, bold=True)
    sheet.text(396, 193, "open at rest", 13)
    sheet.wire((470, 150), (540, 150), (540, 200))
    sheet.resistor(540, 200, ("R 10 Ω, 5 W",))
    sheet.wire((540, 280), (540, 430))
    sheet.dot(540, 430)
    sheet.wire((310, 150), (310, 92), (590, 92))
    sheet.contact(590, 92, ())
    sheet.text(660, 82, "charge, open at rest", 13, bold=True)
    sheet.wire((650, 92), (660, 92), (660, 120), (720, 120))
    sheet.box(720, 100, 200, 80, "supply", ("over-voltage protection", "and timer armed"))
    sheet.pin(720, 120, "+")
    sheet.pin(920, 120, "−", right=True)
    sheet.wire((920, 120), (950, 120), (950, 430), (120, 430), (120, 274))
    sheet.box(720, 240, 200, 130, "logger or meter")
    sheet.pin(720, 270, "cell +")
    sheet.pin(720, 340, "ground")
    sheet.wire((120, 200), (260, 200), (260, 310), (690, 310), (690, 270), (720, 270), kind="sense")
    sheet.dot(120, 200, "sense")
    sheet.wire((120, 274), (220, 274), (220, 340), (720, 340), kind="sense")
    sheet.dot(120, 274, "sense")
    sheet.text(280, 302, "sense wires: from the holder's contacts", 12)
    sheet.cautions(
        490,
        (
            "The program waits until one contact has fallen out before it makes the other.",
            CHARGE, FUSE, HAND, PLACE,
        ),
    )  # fmt: skip
    return sheet


def mosfet_load() -> Sheet:
    """A MOSFET in the relay's place."""
    sheet = Sheet(
        "MOSFET in place of the relay",
        "The cell's plus goes through a fuse and the resistor to the drain of an N-channel MOSFET; its source goes through "
        "a shunt of 0.47 ohm to the cell's minus. The board's pin PD4 drives the gate through 220 ohm; 10 kilo-ohm from the "
        "gate to ground keep it off while the pin floats. PC1 reads the shunt, PC0 the cell at the holder.",
        680,
    )
    _cell_with_sensor(sheet, to_y=485, words="sensor on the can: to PC2")
    sheet.wire((120, 200), (120, 120), (180, 120))
    sheet.fuse(180, 120)
    sheet.wire((240, 120), (330, 120), (330, 140))
    sheet.resistor(330, 140, ("R 10 Ω, 5 W",), 70)
    sheet.wire((330, 210), (330, 250))
    sheet.mosfet(290, 280, ())
    sheet.text(346, 262, "drain", 12)
    sheet.text(346, 306, "source", 12)
    sheet.wire((330, 310), (330, 345))
    sheet.resistor(330, 345, ("shunt 0.47 Ω", "at least 1 W"), 60)
    sheet.wire((330, 405), (330, 450), (120, 450), (120, 274))
    # the gate: driven from the right, round the drain's side
    sheet.wire((290, 280), (220, 280), (220, 300), kind="data")
    sheet.dot(220, 280, "data")
    sheet.resistor(220, 300, (), 60)
    sheet.text(206, 325, "10 kΩ", 13, bold=True, anchor="end")
    sheet.text(206, 342, "pull-down", 13, bold=True, anchor="end")
    sheet.wire((220, 360), (220, 450), kind="thin")
    sheet.dot(220, 450)
    sheet.wire((220, 280), (220, 235), (470, 235), kind="data")
    sheet.lying_resistor(470, 235, "220 Ω")
    sheet.wire((530, 235), (620, 235), (620, 420), (720, 420), kind="data")
    sheet.box(720, 110, 210, 370, "fallback board", ("opens by itself",))
    for y, words in ((150, "PC0  cell, 2 : 1"), (190, "AREF  2.500 V"), (380, "PC1  shunt, no divider"),
                     (420, "PD4  gate"), (460, "GND")):  # fmt: skip
        sheet.pin(720, y, words)
    sheet.wire((120, 200), (270, 200), (270, 90), (680, 90), (680, 150), (720, 150), kind="sense")
    sheet.dot(120, 200, "sense")
    sheet.dot(330, 328, "sense")
    sheet.wire((330, 328), (560, 328), (560, 380), (720, 380), kind="sense")
    sheet.wire((330, 430), (560, 430), (560, 460), (720, 460), kind="sense")
    sheet.dot(330, 430, "sense")
    sheet.text(345, 423, "ground at the shunt's foot: the only one", 12)
    sheet.cautions(
        510,
        (
            "Do not leave the pull-down out. A MOSFET can fail closed: never alone with it, and a protected holder for cells of value.",
            "Not for charging: its body diode cannot be switched off, and conducts when the cell is reversed.",
            FUSE, HAND, PLACE,
        ),
    )  # fmt: skip
    return sheet


def relay_at_rest() -> Sheet:
    """The same relay twice: at rest, and held."""
    sheet = Sheet(
        "A relay that is open at rest",
        "Two drawings of one relay. Left, with no beat, a reset, a floating pin or no supply, the gate is pulled to ground by "
        "10 kilo-ohm. No current flows in the coil, and the contact in the cell's plus lead is open. Right: the beat "
        "arrives, the pin is high, the coil holds the contact. A diode lies across the coil.",
        640,
    )
    for x, made in ((40, False), (520, True)):
        state = "the beat arrives: made" if made else "reset, floating pin, no beat, no supply: open"
        sheet.text(x, 90, state, 15, bold=True)
        sheet.wire((x, 150), (x + 40, 150))
        sheet.text(x, 174, "to the cell's +", 12)
        sheet.fuse(x + 60, 150, "fuse")
        sheet.wire((x + 40, 150), (x + 60, 150))
        sheet.wire((x + 120, 150), (x + 180, 150))
        sheet.contact(x + 180, 150, (), made)
        sheet.wire((x + 240, 150), (x + 330, 150))
        sheet.text(x + 260, 138, "to R or supply", 12)
        sheet.wire((x + 210, 150 if made else 138), (x + 210, 220), kind="data")
        sheet.box(x + 170, 220, 80, 44, "coil")
        sheet.wire((x + 210, 264), (x + 210, 320), kind="thin")
        sheet.wire((x + 250, 242), (x + 290, 242), kind="thin")
        sheet.wire((x + 210, 300), (x + 345, 300), (x + 345, 290), kind="thin")
        sheet.dot(x + 210, 300, "thin")
        _standing_diode(sheet, x + 345, 256)
        sheet.wire((x + 345, 256), (x + 345, 242), (x + 290, 242), kind="thin")
        sheet.text(x + 300, 232, "+5 V", 13, bold=True)
        sheet.text(x + 368, 278, "diode", 12)
        sheet.mosfet(x + 170, 350, ())
        sheet.wire((x + 210, 380), (x + 210, 440), kind="thin")
        sheet.ground(x + 210, 440)
        sheet.wire((x + 170, 350), (x + 130, 350), kind="data")
        sheet.dot(x + 130, 350, "data")
        sheet.resistor(x + 130, 362, (), 56)
        sheet.text(x + 112, 402, "10 kΩ", 13, bold=True, anchor="end")
        sheet.text(x + 112, 418, "pull-down", 13, bold=True, anchor="end")
        sheet.wire((x + 130, 350), (x + 130, 362), kind="thin")
        sheet.wire((x + 130, 418), (x + 130, 440), kind="thin")
        sheet.ground(x + 130, 440)
        sheet.wire((x + 130, 350), (x + 100, 350), kind="data")
        sheet.lying_resistor(x + 50, 350, "", 50)
        sheet.text(x + 75, 376, "220 Ω", 12, anchor="middle")
        sheet.wire((x + 50, 350), (x + 20, 350), kind="data")
        sheet.text(x, 326, "pin high" if made else "pin floats or low", 12)
    sheet.cautions(
        490,
        (
            "Use the normally open contact. Its rating for direct current: at least twice the current of the plan.",
            "A contact can weld: the fuse is for that. Try it: hold it, pull the computer's plug, count until it opens.",
            "On and off without a watchdog? Then nothing opens when the computer dies, and the program says so.",
            FUSE, HAND,
        ),
    )  # fmt: skip
    return sheet


def bays_with_scanner() -> Sheet:
    """Several cells, one meter."""
    sheet = Sheet(
        "Several bays, one meter behind a scanner",
        "Three bays, each with its own cell, fuse, relay contact open at rest, resistor and temperature sensor. From each "
        "holder two sense wires go, each through a small fuse, to a scanner that puts one bay at a time on one meter.",
        790,
    )
    for n, bay in enumerate(("a", "b", "c")):
        y = 140 + 150 * n
        sheet.cell(130, y, "")
        sheet.text(70, y - 38, f"bay {bay}", 14, bold=True)
        sheet.sensor(84, y + 7)
        sheet.wire((130, y - 30), (130, y - 45), (190, y - 45))
        sheet.fuse(190, y - 45)
        sheet.wire((250, y - 45), (300, y - 45))
        sheet.contact(300, y - 45, ())
        sheet.wire((360, y - 45), (385, y - 45))
        sheet.lying_resistor(385, y - 45, "R", 50)
        sheet.wire((435, y - 45), (465, y - 45), (465, y + 62), (130, y + 62), (130, y + 44))
        sheet.wire((130, y - 30), (215, y - 30), (215, y), (250, y), kind="sense")
        sheet.dot(130, y - 30, "sense")
        sheet.small_fuse(250, y)
        sheet.wire((286, y), (490, y), (490, y - 20), (620, y - 20), kind="sense")
        sheet.wire((130, y + 44), (215, y + 44), (215, y + 35), (250, y + 35), kind="sense")
        sheet.dot(130, y + 44, "sense")
        sheet.small_fuse(250, y + 35)
        sheet.wire((286, y + 35), (490, y + 35), (490, y + 10), (620, y + 10), kind="sense")
    sheet.box(620, 90, 120, 400, "")
    for n in range(3):
        sheet.pin(620, 120 + 150 * n, f"{n + 1} +")
        sheet.pin(620, 150 + 150 * n, f"{n + 1} −")
    sheet.text(680, 200, "scanner", 15, bold=True, anchor="middle")
    sheet.text(680, 220, "one place at", 12, anchor="middle")
    sheet.text(680, 236, "a time", 12, anchor="middle")
    sheet.wire((740, 180), (800, 180), kind="sense")
    sheet.wire((740, 220), (800, 220), kind="sense")
    sheet.box(800, 150, 140, 100, "meter")
    sheet.pin(800, 180, "+")
    sheet.pin(800, 220, "−")
    sheet.box(800, 330, 140, 100, "sensors", ("each named; which is", "where: by fingers,", "bay by bay"))
    sheet.wire((800, 380), (770, 380), (770, 545), (30, 545), (30, 147), (73, 147), kind="data")
    sheet.wire((30, 297), (73, 297), kind="data")
    sheet.wire((30, 447), (73, 447), kind="data")
    sheet.text(300, 162, "small fuses", 12, colour="#8a4b00", bold=True)
    sheet.cautions(
        580,
        (
            "A scanner's contact can weld: two cells are then joined through the sense wires. A small fuse (0.1 A) in each one.",
            "Each bay has its own fuse at the cell, its own place that cannot burn, and its own sensor.",
            "Which cell stands behind which place is proven before the first run: bench check on each bay, one cell in.",
            "A break-before-make scanner; its voltage rating above the sum of all cells.",
            FUSE, HAND, PLACE,
        ),
    )  # fmt: skip
    return sheet


def charge_diode() -> Sheet:
    """[charge_path]: a diode instead of the relay."""
    sheet = Sheet(
        "A blocking diode in the charge path",
        "The supply's plus goes through a blocking diode, whose cathode points to the cell, to a node and from there through "
        "a fuse to the cell's plus. The electronic load is joined at the same node. A second instrument, here the load with its sense "
        "wires at the holder, reads the voltage at the cell itself. A temperature sensor lies on the cell's can.",
        660,
    )
    _cell_with_sensor(sheet)
    sheet.wire((120, 200), (120, 150), (180, 150))
    sheet.fuse(180, 150)
    sheet.wire((240, 150), (600, 150), (600, 240), (700, 240))
    sheet.dot(330, 150)
    sheet.wire((330, 150), (330, 110), (420, 110))
    sheet.diode(420, 110, "diode: to the cell only")
    sheet.wire((460, 110), (700, 110))
    sheet.text(540, 98, "drop 0.2 to 0.7 V", 12)
    sheet.box(700, 80, 220, 80, "supply", ("over-voltage protection armed",))
    sheet.pin(700, 110, "+")
    sheet.pin(920, 110, "−", right=True)
    sheet.wire((920, 110), (950, 110), (950, 430), (120, 430))
    sheet.box(700, 210, 220, 170, "load or meter", ("voltage at the", "cell itself"), 0.66)
    for y, words in ((240, "+"), (270, "sense +"), (330, "sense −"), (360, "−")):
        sheet.pin(700, y, words)
    sheet.wire((700, 360), (650, 360), (650, 430))
    sheet.dot(650, 430)
    sheet.wire((120, 430), (120, 274))
    _sense(sheet, 270, 330, 700)
    sheet.cautions(
        490,
        (
            "The drop vanishes with the current: with the computer dead the cell creeps up to the drop above its limit.",
            "So: charging only with somebody there, who pulls the lead. A relay is the better way.",
            FUSE, HAND, PLACE, CHARGE,
        ),
    )  # fmt: skip
    return sheet


def _cell_with_sensor(
    sheet: Sheet, to_y: float = 470, words: str = "sensor on the can: to the thermometer or logger"
) -> None:
    """The cell at (120, 230), its sensor, and the sensor's line down to where it goes."""
    sheet.cell(120, 230, "")
    sheet.text(110, 190, "cell in its holder", 12, anchor="end")
    sheet.sensor(72, 237)
    sheet.wire((61, 237), (40, 237), (40, to_y - 18), kind="data")
    sheet.text(30, to_y, words, 13)


def _sense(sheet: Sheet, plus_y: float, minus_y: float, to_x: float) -> None:
    """The two sense wires, each from its contact of the holder."""
    sheet.wire((120, 200), (320, 200), (320, plus_y), (to_x, plus_y), kind="sense")
    sheet.dot(120, 200, "sense")
    sheet.wire((120, 274), (290, 274), (290, minus_y), (to_x, minus_y), kind="sense")
    sheet.dot(120, 274, "sense")
    sheet.text(340, plus_y - 8, "sense wires: from the holder's contacts", 12)


def _standing_diode(sheet: Sheet, x: float, y: float) -> None:
    """Across a coil: from (x, y) down 34, cathode above."""
    sheet.wire((x - 10, y), (x + 10, y), kind="thin")
    sheet.wire((x - 10, y + 20), (x + 10, y + 20), (x, y), (x - 10, y + 20), kind="thin")
    sheet.wire((x, y + 20), (x, y + 34), kind="thin")


DRAWINGS: dict[str, Callable[[], Sheet]] = {
    "wiring-load-and-supply": load_and_supply,
    "wiring-load-only": load_only,
    "wiring-resistor-and-logger": resistor_and_logger,
    "wiring-resistor-and-board": resistor_and_board,
    "wiring-resistor-and-supply": resistor_and_supply,
    "wiring-mosfet": mosfet_load,
    "wiring-relay-at-rest": relay_at_rest,
    "wiring-bays-with-scanner": bays_with_scanner,
    "wiring-charge-diode": charge_diode,
}

if __name__ == "__main__":
    for name, draw in DRAWINGS.items():
        (FOLDER / f"{name}.svg").write_text(draw().svg(), encoding="utf-8")
