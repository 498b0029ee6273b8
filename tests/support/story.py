"""Play docs/story-cells.md again: each command of the page is carried out and what it answers is put under it.

`python tests/support/story.py` makes the demo in a folder of its own and works in it. A block that shows a command and
no answer is carried out and left as it is; so are the commands in a comment `<!-- play: ... -->`.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "story-cells.md"


def play(text: str, home: Path) -> str:
    """Return the page with the answers as they are now; `home` holds the demo."""
    binaries = Path(sys.executable).parent
    environment = {
        **os.environ, "PATH": f"{binaries}{os.pathsep}{os.environ['PATH']}", "AMPHORA_LOGS": "logs",
        "XDG_CONFIG_HOME": str(home / "config"), "COLUMNS": "160",
    }  # fmt: skip

    def answer(command: str) -> str:
        done = subprocess.run(
            ["bash", "-c", command], cwd=home, env=environment, capture_output=True, text=True, check=False
        )
        if done.returncode not in (0, 1):
            raise SystemExit(f"{command}\nended with {done.returncode}: {done.stderr}")
        return done.stdout.rstrip() + "\n"

    def block(found: re.Match[str]) -> str:
        if found["play"]:
            for command in found["play"].strip().splitlines():
                answer(command)
            return found[0]
        lines = found["code"].splitlines()
        if not lines or not lines[0].startswith("$ "):
            return found[0]
        if all(line.startswith("$ ") for line in lines):
            for line in lines:
                answer(line[2:])
            return found[0]
        return f"```\n{lines[0]}\n{answer(lines[0][2:])}```"

    return re.sub(r"```\n(?P<code>.*?)```|<!-- play:(?P<play>.*?)-->", block, text, flags=re.DOTALL)


def main() -> None:
    """Write the page anew."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "demo"
        subprocess.run([sys.executable, "-m", "amphora.harness", "demo", "--out", str(home)], check=True, cwd=ROOT)
        PAGE.write_text(play(PAGE.read_text(encoding="utf-8"), home), encoding="utf-8")


if __name__ == "__main__":
    main()
