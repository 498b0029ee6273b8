"""The key that this bench signs with: key show, export, import."""

from pathlib import Path
from typing import Annotated

import typer

from amphora.harness.cli.next_command import show_next
from amphora.harness.cli.output import JsonOption, answer
from amphora.harness.report.certificate.keys import export_key, import_key, key_info

pass


_PASSWORD_HELP = "The key's password comes from AMPHORA_KEY_PASSWORD, where it has one."


def key_show(as_json: JsonOption = False) -> None:
    """Show the bench's public key and its fingerprint.

    Makes the key if there is none.

    Example: amphora key show
    """
    info = key_info()
    data = {
        "path": str(info.path),
        "fingerprint": info.fingerprint,
        "public_key": info.public_pem,
        "made_now": info.made_now,
    }

    def show() -> None:
        print(f"{info.path}\nfingerprint {info.fingerprint}\n{info.public_pem}", end="")
        show_next("key", "export", "bench.pem")

    answer(data, as_json, show)


def key_export(
    out: Annotated[Path, typer.Argument(help="The file to make; an existing one is left alone.")],
    private: Annotated[
        bool, typer.Option("--private", help=f"The private key, as a safe copy. {_PASSWORD_HELP}")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write the public key to give away, or the private key as a safe copy.

    Example: amphora key export kitchen-bench.pem
    """
    mark = export_key(out, private)

    def show() -> None:
        print(f"{out}: key {mark}")
        if private:
            print("On the new computer:")
            show_next("key", "import", out)
        else:
            print("Whoever reads your certificates:")
            show_next("key", "import", out, "--name", "BENCH")

    answer({"file": str(out), "fingerprint": mark, "private": private}, as_json, show)


def key_import(
    source: Annotated[Path, typer.Argument(help="A private key (becomes this bench's) or another bench's public key.")],
    name: Annotated[str | None, typer.Option("--name", help="Whose public key it is.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Read a private key on a new computer, or another bench's public key.

    Example: amphora key import their-bench.pem --name "bench in the village hall"
    """
    mark, private = import_key(source, name)
    data = {"fingerprint": mark, "private": private, "name": name}

    def show() -> None:
        print(f"key {mark} {'is now this bench' + chr(39) + 's own' if private else f'is known as {name}'}")
        show_next(*(("key", "show") if private else ("verify", "CERTIFICATE.pdf")))

    answer(data, as_json, show)
