"""The `amphora` program: parse, call one function, print, exit. No logic.

The commands stand in `commands`; the module of one is imported when it is called or asked for its help.
"""

import re
import sys
from typing import Annotated, Any

import typer

import amphora.harness
from amphora.drivers.errors import DriverError
from amphora.harness.cli.commands import Root
from amphora.harness.cli.terminal import any_encoding, fold_at_a_terminal, unfailing_messages
from amphora.harness.common.errors import AmphoraError, Interrupted

app = typer.Typer(
    name="amphora",
    cls=Root,
    help="Judge reused cells: what is it, what does it hold, what is it still good for.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def root(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    """Judge reused cells: what is it, what does it hold, what is it still good for.

    Example: amphora demo
    """
    if version:
        print(f"amphora {amphora.harness.__version__}")
        raise typer.Exit(0)


# What Typer raises for a wrong command line. It names no base class for it; this is the one of them all.
USAGE: type[Exception] = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


def usage_sentence(error: Any) -> str:
    """Return what is wrong with a command line: the command, the option, the value, where it says what is accepted."""
    context, parameter = getattr(error, "ctx", None), getattr(error, "param", None)
    words = [] if context is None else context.command_path.split()[1:]
    text = re.sub(r"\. Did you mean (.*)\?$", r" (\1 is near)", error.format_message().strip().rstrip("."))
    text = re.sub(r" a valid int$", " an integer", re.sub(r" a valid float$", " a number", text))
    for name in [] if parameter is None else parameter.opts:
        for given, value in zip(sys.argv, [*sys.argv[1:], ""], strict=True):
            if given.startswith(name + "=") or (given == name and not text.startswith("Missing")):
                text = text.replace(f"'{name}'", f"'{name} {given.partition('=')[2] or value}'", 1)
    where = "".join(f"{word} " for word in words)
    said = f"{text[:1].lower()}{text[1:]}; `amphora {where}--help` shows what is accepted"
    return f"amphora: {where.strip()}: {said}" if words else f"amphora: {said}"


def main() -> None:
    """Run the program; turn expected errors into one sentence and their exit code."""
    any_encoding()
    unfailing_messages()
    fold_at_a_terminal()
    try:
        sys.exit(app(prog_name="amphora", standalone_mode=False) or 0)
    except USAGE as error:
        if type(error).__name__ != "NoArgsIsHelpError":  # that one has printed the help by itself
            print(usage_sentence(error), file=sys.stderr)
        sys.exit(error.exit_code)  # type: ignore[attr-defined]
    except typer.Abort:
        print("amphora: interrupted", file=sys.stderr)
        sys.exit(Interrupted.exit_code)
    except (AmphoraError, DriverError) as error:
        print(f"amphora: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        print("amphora: interrupted", file=sys.stderr)
        sys.exit(Interrupted.exit_code)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except OSError as error:  # a full disk, a file that may not be written: nothing to look up in the program
        named = f"{error.filename}: " if error.filename is not None else ""
        print(f"amphora: {named}{error.strerror or error}", file=sys.stderr)
        sys.exit(AmphoraError.exit_code)
