"""What somebody is told of an import, and what stays in run.json: notes and warnings."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]
    BoolArray = npt.NDArray[np.bool_]


@dataclass
class Told:
    """What a person should know about the import; warnings go on into the analysis."""

    notes: list[str] = field(default_factory=list)
    warnings: list[dict[str, str]] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Add what was done."""
        self.notes.append(text)

    def warn(self, code: str, text: str) -> None:
        """Add what to distrust."""
        self.warnings.append({"code": code, "text": text})
