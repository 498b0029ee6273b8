"""What a run's own files say: kept in `result.json`, or made anew."""

import json
import math
from pathlib import Path

from amphora.harness.common.errors import AnalysisError, InputError
from amphora.harness.results.analyse import analyse
from amphora.harness.results.kept import keep, kept_result, stamps_of
from amphora.harness.results.result import Result


def figures_of(folder: Path, cutoff_V: float | None = None) -> Result:
    """Return what a run's own files say: kept, or made anew."""
    from amphora.harness.archive.loading import load_all

    folder = Path(folder)
    if cutoff_V is not None and not (math.isfinite(cutoff_V) and cutoff_V > 0):
        raise InputError(f"--cutoff: {cutoff_V!r} V; a voltage above 0 V is accepted")
    cached = kept_result(folder, cutoff_V)
    if cached is None:
        stamps = stamps_of(folder)  # before the files are read: what is written meanwhile has another time
        loaded = load_all(folder, extras=False, condensed=True)
        try:
            result = analyse(loaded, cutoff_V)
            text = json.dumps(result.to_json(), ensure_ascii=False, allow_nan=False)
        except (OverflowError, ValueError) as error:  # what no instrument gives: 1e308, by a damaged file
            raise AnalysisError(
                f"{folder}: holds numbers that no figure can be made from ({error}); look at run.json and events.jsonl"
            ) from error
        if cutoff_V is None:
            keep(folder, text, loaded.digest, stamps)
    else:
        result = cached
    return result
