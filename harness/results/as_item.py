"""The U of the cell as an item beside that of one night: with what the cell's and the shelf's repeats taught."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from amphora.harness.analysis.repeats import Beside, item_U_Ah, learned
from amphora.harness.results.result import ItemScatter, Result


def with_item_U(
    result: Result,
    own: Sequence[float],
    others: Iterable[Sequence[float]] | Beside = (),
    unseen: float | None = None,
    conditions: float | None = None,
) -> Result:
    """Return a result with the item's U (k = 2) beside that of the measurement, and what it stands on.

    Args:
        result: One without a capacity and its U gets none.
        own: What repeats of the cell differ by, as shares.
        others: The same of each other cell of the shelf, or all that added up.
        unseen: As for `item_U_Ah`; None: as the result has it already.
        conditions: What another charge or current may change, as a share (k = 2); None: as the result has it already.

    Source: as `analysis.repeats.learned` and `item_U_Ah`.
    """
    if result.capacity_Ah is None or result.capacity_U_Ah is None:
        return replace(result, capacity_item_U_Ah=None, item=None)
    found = learned(own, others)
    declared = "; the charge was not seen by the bench: 2 % more" if result.start == "declared-full" else ""
    if unseen is None:
        unseen = result.item.unseen if result.item else 0.0
    if conditions is None:
        conditions = result.item.conditions if result.item else 0.0
    if unseen:
        declared += f"; up to {100 * unseen:.0f} % may have been drawn unseen before it, its voltage shows little of it"
    if conditions:
        declared += f"; another charge or current may change it by {100 * conditions:.2g} %"
    U_Ah = item_U_Ah(result.capacity_Ah, result.capacity_U_Ah, result.start, found.share, unseen)
    U_Ah = math.hypot(U_Ah, conditions * result.capacity_Ah)
    text = found.text + declared
    before = result.item
    if before is not None and (before.text, before.scatter, result.capacity_item_U_Ah) == (text, found.share, U_Ah):
        return result  # as it is: of ten thousand cells most learn nothing new from each other
    item = ItemScatter(found.share, found.pairs, found.shelf_pairs, found.from_, text, unseen, conditions)
    return replace(result, capacity_item_U_Ah=U_Ah, item=item)
