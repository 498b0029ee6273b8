"""The queue in words: who is where until when, what hands are needed when, when the bag is done."""

from collections.abc import Sequence
from datetime import datetime

from amphora.harness.queue.room import OVER
from amphora.harness.queue.supervisor import QueueShown

WIDTH = 80
HANDS_FROM = len("  Fri 13 Mar 18:00  ")
STATE_WORDS = {
    "waiting": "waits", "to place": "to be put in", "ready": "in its bay", "running": "runs", "paused": "paused",
    "done": "through", "apart": "kept apart", "dropped": "dropped",
}  # fmt: skip


def render(queue: QueueShown, said: Sequence[str]) -> list[str]:
    """Return the lines for a person; `said`: what each bay has of its own."""
    lines = [*said]
    if queue.alarm:
        lines.append(f"! ALARM: {queue.alarm}; nothing begins until: amphora queue clear --why ...")
    for bay in queue.bays:
        if bay.stopped:
            lines.append(f"! bay {bay.bay} has stopped: {bay.stopped}")
    lines += [*_cells(queue), "", *_hands(queue), *_slots(queue)]
    counts: dict[str, int] = {}
    for cell in queue.cells:
        counts[cell.state] = counts.get(cell.state, 0) + 1
    lines.append("")
    lines.append(
        ", ".join(f"{STATE_WORDS[state]}: {number}" for state, number in counts.items()) or "nothing is queued"
    )
    if queue.done_at and any(cell.ready_at for cell in queue.cells):
        lines.append(f"The bag is expected to be done {_when(queue.done_at)}.")
    elif any(cell.state not in OVER for cell in queue.cells):
        lines.append("As things stand the bag does not get done: see the lines with '!' and the attended hours.")
    return lines


def _when(text: str) -> str:
    return f"{datetime.fromisoformat(text):%a %d %b %H:%M}"


def _cells(queue: QueueShown) -> list[str]:
    if not queue.cells:
        return []
    lines = ["cell        bay   step         state         expected ready"]
    for cell in queue.cells:
        ready = _when(cell.ready_at) if cell.ready_at else ""
        state = STATE_WORDS[cell.state]
        line = f"{cell.cell:<11} {cell.bay or '-':<5} {cell.step or '-':<12} {state:<13} {ready}"
        lines.append(line.rstrip())
        if cell.why:
            lines.append(f"            {cell.why}")
    return lines


def _hands(queue: QueueShown) -> list[str]:
    if not queue.hands:
        return ["No hands are needed."]
    lines = ["Hands are needed:"]
    for moment in queue.hands:
        when, *rest = _together(moment.what.split("; "))
        lines.append(f"  {_when(moment.at)}  {when}")
        lines += [f"{'':<{HANDS_FROM}}{text}" for text in rest]
    return lines


def _together(hands: Sequence[str]) -> list[str]:
    """Return what is to be done in lines no wider than a terminal, none of it over two lines."""
    lines = [hands[0]]
    for hand in hands[1:]:
        if HANDS_FROM + len(lines[-1]) + len(hand) + 3 > WIDTH:
            lines[-1] += ";"
            lines.append(hand)
        else:
            lines[-1] += f"; {hand}"
    return lines


def _slots(queue: QueueShown) -> list[str]:
    if not queue.slots:
        return []
    lines = ["", "Expected, bay by bay:"]
    for bay in queue.bays:
        own = [slot for slot in queue.slots if slot.bay == bay.bay]
        for slot in sorted(own, key=lambda item: item.begin):
            begin, end = _when(slot.begin), _when(slot.end)
            lines.append(f"  {slot.bay:<5} {begin} to {end}  {slot.cell}: {slot.recipe}")
    return lines
