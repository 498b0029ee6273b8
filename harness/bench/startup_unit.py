"""A systemd user unit that runs `amphora bench off` when the computer starts. Text only; nothing is installed."""

import sys
from pathlib import Path

TRY_AGAIN_S = 20  # an instrument that starts with the computer may need a while to answer


def startup_unit(bench: Path) -> str:
    """Return the unit's text.

    Args:
        bench: The bench file, as an absolute path.

    Source: systemd.service(5), systemd.unit(5), sections on quoting and specifiers.
    """
    return f"""\
[Unit]
Description=Switch off the bench {_escaped(str(bench))}

[Service]
Type=oneshot
ExecStart={_word(sys.executable)} -P -m amphora.harness bench off --bench {_word(str(bench))}
Restart=on-failure
RestartSec={TRY_AGAIN_S}

[Install]
WantedBy=default.target
"""


def enabling_lines(unit: Path) -> list[str]:
    """Return the lines a person types to enable the unit."""
    return [
        "Written, not started. To switch the bench off at each start of this computer:",
        "  systemctl --user daemon-reload",
        f"  systemctl --user enable {unit.name}",
        "  loginctl enable-linger $USER      # also before anybody logs in",
        "It switches off; it does not take a run up again: amphora resume does, with you at the bench.",
    ]


def _escaped(text: str) -> str:
    return text.replace("%", "%%").replace("\n", " ")


def _word(text: str) -> str:
    """Return one word of a command line as systemd reads it."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"'
