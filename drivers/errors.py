"""What can go wrong with an instrument: one tree, by cause.

Foreign exceptions (VISA, serial, sockets, termios) are mapped to these at the border, with `from`.
The message is one sentence: instrument, what was asked, what came, what is accepted.
"""


class DriverError(Exception):
    """Any trouble with an instrument or its link."""

    exit_code = 4


class LinkError(DriverError):
    """The link failed: time-out, closed, refused, busy. The session must be reopened."""


class GarbledReply(DriverError):
    """A reply arrived and could not be read as what was asked for."""


class InstrumentError(DriverError):
    """The instrument queued an error, or holds another value than was set."""


class IdentityError(DriverError):
    """Somebody else answered than the bench file says."""


class LimitError(DriverError):
    """A value is outside what the instrument can do; nothing was sent."""


class DescriptionError(DriverError):
    """A bench file, dialect or line format is wrong: file, field, value, what is accepted."""

    exit_code = 2
