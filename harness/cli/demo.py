"""The demo command."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.cli.output import JsonOption, answer, say
from amphora.harness.cli.story import tell
from amphora.harness.common.as_json import to_json


def demo(
    out: Annotated[Path, typer.Option("--out", help="A folder for all it makes; must be empty or new.")] = Path("demo"),
    json: JsonOption = False,
) -> None:
    """Play the whole story on a simulated bench: five cells, their nights, the results.

    Example: amphora demo --out demo
    """
    story = tell(out, say)
    data = {
        "out": str(out),
        "nights": {cell: str(folder) for cell, folder in story.nights.items()},
        "stops": {cell: [outcome.reason for outcome in runs] for cell, runs in story.outcomes.items()},
        "pictures": [str(path) for path in story.figures],
        "certificate": None if story.certificate is None else str(story.certificate),
        "comparison": to_json(story.comparison),
    }

    def show() -> None:
        print("\n".join(story.lines))
        print()
        print(f"Run folders: {out / 'logs'}   Pictures: {out / 'pictures'}")
        if story.certificate is not None:
            print(f"Certificate: {story.certificate}   check it: amphora verify {story.certificate}")
        print(f"Next: amphora analyse {next(iter(story.nights.values()), out / 'logs')}")

    answer(data, json, show)
