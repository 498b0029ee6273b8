"""A generic meter: only measures (voltage, current, temperature), driven by a dialect."""

from amphora.drivers.scpi.instrument import ScpiInstrument


class ScpiMeter(ScpiInstrument):
    """A voltmeter or thermometer. See `drivers.roles.Meter`. A current counts positive into the cell."""

    role = "meter"
