"""Take the data out of a certificate's PDF, in a process of its own with a limit on time, memory and output.

A hostile file can neither hang nor harm the one who checks it. Nothing in a PDF is ever executed. This module imports
little: what is loaded counts against the limit of memory.
"""

import os
import subprocess
import sys
from pathlib import Path

from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate.canonical import MAX_BYTES

ATTACHMENT = "amphora-certificate.json"
EXTRACT_SECONDS = 20
EXTRACT_MEMORY = 1_500_000_000


def extract_here(path: Path) -> bytes:
    """Return the attachment of a PDF, in this process. Call it through `extract`.

    Raises:
        InputError: not a readable PDF, active content, no or more than one attachment, a wrong name.
    """
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    try:
        reader = PdfReader(path, strict=True)
        root = reader.root_object
        for name in ("/OpenAction", "/AA"):
            if name in root:
                raise InputError(f"the PDF has active content ({name[1:]} in its catalogue); a certificate has none")
        names = root.get("/Names")
        names = names.get_object() if names is not None else {}
        if "/JavaScript" in names:
            raise InputError("the PDF has a script; a certificate has none")
        files = names.get("/EmbeddedFiles")
        if files is None:
            raise InputError("the PDF has no attachment")
        tree = files.get_object()
        kids = 0
        while "/Kids" in tree:
            if len(tree["/Kids"]) != 1 or kids > 8:
                raise InputError("the PDF has more than one attachment")
            tree = tree["/Kids"][0].get_object()
            kids += 1
        pairs = tree["/Names"]
        if len(pairs) != 2:
            raise InputError(f"the PDF has {len(pairs) // 2} attachments; a certificate has one")
        if str(pairs[0]) != ATTACHMENT:
            raise InputError(f"the attachment is called {str(pairs[0])[:60]!r}, not {ATTACHMENT!r}")
        stream = pairs[1].get_object()["/EF"].get_object()["/F"].get_object()
        data = stream.get_data()
    except (
        PyPdfError,
        OSError,
        ValueError,
        TypeError,
        KeyError,
        IndexError,
        AttributeError,
        NotImplementedError,
    ) as error:
        raise InputError(f"the PDF is damaged, cut short or no whole PDF ({str(error)[:120]})") from error
    except (RecursionError, MemoryError) as error:
        raise InputError(f"the PDF is nested or packed beyond what is read ({type(error).__name__})") from error
    if not isinstance(data, bytes) or len(data) > MAX_BYTES:
        raise InputError(f"the attachment is larger than {MAX_BYTES} bytes")
    return data


def extract(path: Path) -> bytes:
    """Return the attachment of a PDF, taken out in a process of its own under limits.

    Raises:
        InputError: as `extract_here`, or the limits were reached.
    """
    # -P: a folder somebody else filled (downloads, say) must not lend its modules because we stand in it
    command = [sys.executable, "-P", "-m", "amphora.harness.report.certificate.attachment", str(path.resolve())]
    try:
        done = subprocess.run(command, capture_output=True, timeout=EXTRACT_SECONDS, stdin=subprocess.DEVNULL)
    except subprocess.TimeoutExpired as error:
        raise InputError(f"reading the PDF took longer than {EXTRACT_SECONDS} s and was ended") from error
    if done.returncode == 3:
        raise InputError(done.stderr.decode("utf-8", "replace").strip()[:300])
    if done.returncode != 0:
        raise InputError("reading the PDF failed (damaged, or built to use up memory or time)")
    if len(done.stdout) > MAX_BYTES:
        raise InputError(f"the attachment is larger than {MAX_BYTES} bytes")
    return done.stdout


def _limit_this_process() -> None:
    if sys.platform != "win32":
        import resource  # is not there on every system

        resource.setrlimit(resource.RLIMIT_AS, (EXTRACT_MEMORY, EXTRACT_MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (EXTRACT_SECONDS, EXTRACT_SECONDS))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _main() -> int:
    """Take the attachment out of one PDF to standard output, under limits; 3 with the reason on standard error."""
    _limit_this_process()
    try:
        data = extract_here(Path(sys.argv[1]))
    except InputError as error:
        print(error, file=sys.stderr)
        return 3
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()
    return 0


if __name__ == "__main__":
    code = _main()
    os._exit(code)  # no destructors over what a hostile file built up
