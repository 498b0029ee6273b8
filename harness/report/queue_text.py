"""The queue in words: who is where until when, what hands are needed when, when the bag is done."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

WIDTH = 80
HANDS_FROM = len("  Fri 13 Mar 18:00  ")
STATE_WORDS = {
    "waiting": "waits", "to place": "to be put in", "ready": "in its bay", "running": "runs", "paused": "paused",
    "done": "through", "apart": "kept apart", "dropped": "dropped",
}  # fmt: skip


def render(data: Mapping[str, Any], said: Sequence[str]) -> list[str]:
    """Return the lines for a person; `said`: what each bay has of its own."""
    lines = [*said]
    if data["alarm"]:
        lines.append(f"! ALARM: {data['alarm']}; nothing begins until: amphora queue clear --why ...")
    for bay in data["bays"]:
        if bay["stopped"]:
            lines.append(f"! bay {bay['bay']} has stopped: {bay['stopped']}")
    lines += [*_cells(data), "", *_hands(data), *_slots(data)]
    counts: dict[str, int] = {}
    for cell in data["cells"]:
        counts[cell["state"]] = counts.get(cell["state"], 0) + 1
    lines.append("")
    lines.append(
        ", ".join(f"{STATE_WORDS[state]}: {number}" for state, number in counts.items()) or "nothing is queued"
    )
    if data["done_at"] and any(cell["ready_at"] for cell in data["cells"]):
        lines.append(f"The bag is expected to be done {_when(data['done_at'])}.")
    elif any(cell["state"] not in ("done", "apart", "dropped") for cell in data["cells"]):
        lines.append("As things stand the bag does not get done: see the lines with '!' and the attended hours.")
    return lines


def _when(text: str) -> str:
    return f"{datetime.fromisoformat(text):%a %d %b %H:%M}"


def _cells(data: Mapping[str, Any]) -> list[str]:
    if not data["cells"]:
        return []
    lines = ["cell        bay   step         state         expected ready"]
    for cell in data["cells"]:
        ready = _when(cell["ready_at"]) if cell["ready_at"] else ""
        state = STATE_WORDS[cell["state"]]
        line = f"{cell['cell']:<11} {cell['bay'] or '-':<5} {cell['step'] or '-':<12} {state:<13} {ready}"
        lines.append(line.rstrip())
        if cell["why"]:
            lines.append(f"            {cell['why']}")
    return lines


def _hands(data: Mapping[str, Any]) -> list[str]:
    if not data["hands"]:
        return ["No hands are needed."]
    lines = ["Hands are needed:"]
    for moment in data["hands"]:
        when, *rest = _together(str(moment["what"]).split("; "))
        lines.append(f"  {_when(moment['at'])}  {when}")
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


def _slots(data: Mapping[str, Any]) -> list[str]:
    if not data["slots"]:
        return []
    lines = ["", "Expected, bay by bay:"]
    for bay in data["bays"]:
        own = [slot for slot in data["slots"] if slot["bay"] == bay["bay"]]
        for slot in sorted(own, key=lambda item: str(item["begin"])):
            begin, end = _when(slot["begin"]), _when(slot["end"])
            lines.append(f"  {slot['bay']:<5} {begin} to {end}  {slot['cell']}: {slot['recipe']}")
    return lines
