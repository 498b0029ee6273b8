"""What can go wrong in the harness: one tree, by cause, each with its exit code.

0 done · 1 the answer is no · 2 bad input or usage · 3 stopped by the guard ·
4 instrument trouble · 130 Ctrl-C · 143 SIGTERM.
A message is one sentence: the thing, the value with unit, the limit and where it comes from,
the state things are in now, the next step.
"""


class AmphoraError(Exception):
    """Anything the harness says no to."""

    exit_code = 2


class InputError(AmphoraError):
    """A file, option or field is wrong: what, where, value, what is accepted. Nothing was written."""

    exit_code = 2


class QuantityError(InputError):
    """A quantity could not be read: the text, and what is accepted."""


class AnalysisError(InputError):
    """Arrays or a record that a figure cannot be made from."""


class JournalDamaged(InputError):
    """A run folder is damaged other than by a torn last line: file and line."""


class Refused(AmphoraError):
    """The answer is no: a cell that may not be charged, a certificate that does not verify."""

    exit_code = 1


class BenchError(AmphoraError):
    """Instrument trouble, as the harness sees it."""

    exit_code = 4


class Interrupted(AmphoraError):
    """A person or the system asked to end."""

    exit_code = 130


class Terminated(Interrupted):
    """The system asked to end, by SIGTERM."""

    exit_code = 143
