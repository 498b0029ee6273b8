"""The bench's own key: Ed25519, made on first use, kept outside the project.

The private key is PKCS8 PEM, mode 0600, created with O_EXCL so that an existing file is never
written over. A password is optional (`AMPHORA_KEY_PASSWORD`). The stretching of the password in PKCS8 is
light: the file mode is the real protection. Public keys of other benches are kept beside it in
`known/`, one PEM each, its name being the name the person gave it.

What a signature shows: that nothing was changed after the signing by anybody without the key. It does not
show who held the key, nor that what was signed is true.
"""

import base64
import contextlib
import hashlib
import os
import re
import sys
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from amphora.harness.common.errors import InputError

KEY_ENV = "AMPHORA_KEY"
PASSWORD_ENV = "AMPHORA_KEY_PASSWORD"
MAX_KEY_BYTES = 10_000
_NAME = re.compile(r"[\w][\w .-]{0,60}")


def config_folder() -> Path:
    """Return where this user's settings live on this system."""
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return base / "amphora"


def key_path() -> Path:
    """Return the private key's path: `AMPHORA_KEY`, else in the user's settings."""
    named = os.environ.get(KEY_ENV)
    return Path(named) if named else config_folder() / "bench-key.pem"


def known_folder() -> Path:
    """Return the folder of other benches' public keys."""
    return key_path().parent / "known"


def _password(given: str | None) -> bytes | None:
    text = given if given is not None else os.environ.get(PASSWORD_ENV)
    return text.encode("utf-8") if text else None


def public_bytes(key: Ed25519PublicKey) -> bytes:
    """Return the 32 raw bytes of a public key."""
    return key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)


def fingerprint(public: bytes) -> str:
    """Return a public key's fingerprint: the first 16 bytes of its SHA-256, in groups of four digits."""
    digits = hashlib.sha256(public).hexdigest()[:32]
    return " ".join(digits[i : i + 4] for i in range(0, 32, 4))


def _write_new(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as error:
        raise InputError(f"{path}: exists already and was left as it is") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be made: {error.strerror}") from error
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _private_pem(key: Ed25519PrivateKey, password: bytes | None) -> bytes:
    protection: serialization.KeySerializationEncryption = (
        serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    )
    return key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, protection)


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_KEY_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    if len(data) > MAX_KEY_BYTES:
        raise InputError(f"{path}: is too large for a key")
    return data


def read_private(path: Path, password: str | None = None) -> Ed25519PrivateKey:
    """Read a private key file.

    Raises:
        InputError: not there, not an Ed25519 key in PEM, readable by others, password missing or wrong.
    """
    data = _read(path)
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise InputError(f"{path}: others may read this private key; set its mode to 0600 (chmod 600) first")
    try:
        key = serialization.load_pem_private_key(data, _password(password))
    except TypeError as error:
        wants = "needs a password" if b"ENCRYPTED" in data else "has no password, but one was given"
        raise InputError(f"{path}: the key {wants} ({PASSWORD_ENV})") from error
    except (ValueError, UnsupportedAlgorithm) as error:
        if b"ENCRYPTED" in data:
            raise InputError(f"{path}: the password does not open this key") from error
        raise InputError(f"{path}: is no private key in PEM (PKCS8)") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError(f"{path}: holds a key of another kind; accepted: Ed25519")
    return key


def read_public(path: Path) -> Ed25519PublicKey:
    """Read a public key file.

    Raises:
        InputError: not there, or not an Ed25519 public key in PEM.
    """
    try:
        key = serialization.load_pem_public_key(_read(path))
    except (ValueError, UnsupportedAlgorithm) as error:
        raise InputError(f"{path}: is no public key in PEM") from error
    if not isinstance(key, Ed25519PublicKey):
        raise InputError(f"{path}: holds a key of another kind; accepted: Ed25519")
    return key


def bench_key(password: str | None = None, path: Path | None = None) -> tuple[Ed25519PrivateKey, bool]:
    """Return this bench's key, or the one kept at `path`, and whether it was made just now.

    Raises:
        InputError: the key file is there and cannot be used.
    """
    path = path or key_path()
    if path.exists():
        return read_private(path, password), False
    key = Ed25519PrivateKey.generate()
    try:
        _write_new(path, _private_pem(key, _password(password)))
    except InputError:
        if not path.exists():
            raise
        return read_private(path, password), False  # another process was first
    return key, True


def public_pem(key: Ed25519PublicKey) -> bytes:
    """Return a public key in PEM, to be given to anybody."""
    return key.public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)


def export_key(out: Path, private: bool, password: str | None = None) -> str:
    """Write the public key, or the private one with its password; return the fingerprint.

    Raises:
        InputError: `out` exists, or the key cannot be used.
    """
    key, _ = bench_key(password)
    data = _private_pem(key, _password(password)) if private else public_pem(key.public_key())
    _write_new(out, data)
    if not private:
        out.chmod(0o644)
    return fingerprint(public_bytes(key.public_key()))


def import_key(source: Path, name: str | None, password: str | None = None) -> tuple[str, bool]:
    """Take over a private key as this bench's own, or a public key as another bench's.

    Returns:
        The fingerprint, and whether it was a private key.

    Raises:
        InputError: no key, a key is there already (none is ever written over), or a public key without a name.
    """
    if b"PRIVATE KEY" in _read(source):
        key = read_private(source, password)
        _write_new(key_path(), _private_pem(key, _password(password)))
        return fingerprint(public_bytes(key.public_key())), True
    public = read_public(source)
    if name is None or not _NAME.fullmatch(name):
        raise InputError(
            f"{source}: a public key needs a name (--name), letters, digits, space, dot or dash, not {name!r}"
        )
    _write_new(known_folder() / f"{name}.pem", public_pem(public))
    return fingerprint(public_bytes(public)), False


def known_keys() -> dict[bytes, str]:
    """Return the public keys this person knows, raw bytes to name; this bench's own included."""
    found: dict[bytes, str] = {}
    folder = known_folder()
    if folder.is_dir():
        for path in sorted(folder.glob("*.pem")):
            found[public_bytes(read_public(path))] = path.stem
    path = key_path()
    if path.exists():
        with contextlib.suppress(InputError):  # a password is needed; verifying works without our own key
            found[public_bytes(read_private(path).public_key())] = "this bench"
    return found


@dataclass(frozen=True)
class Signer:
    """Signs bytes with one key."""

    key: Ed25519PrivateKey

    @property
    def public(self) -> bytes:
        """The public key, 32 bytes."""
        return public_bytes(self.key.public_key())

    def sign(self, data: bytes) -> bytes:
        """Return the signature, 64 bytes. The same bytes always get the same signature."""
        return self.key.sign(data)


def signature_holds(public: bytes, signature: bytes, data: bytes) -> bool:
    """Tell whether `signature` over `data` was made with the key of `public`."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, data)
    except (InvalidSignature, ValueError, UnsupportedAlgorithm):
        return False
    return True


def to_text(data: bytes) -> str:
    """Return bytes as base64 text."""
    return base64.b64encode(data).decode("ascii")


def from_text(text: str, length: int) -> bytes:
    """Return the bytes of strict base64 text of known length.

    Raises:
        InputError: not base64, or another length.
    """
    try:
        data = base64.b64decode(text, validate=True)
    except (ValueError, TypeError) as error:
        raise InputError("signature or key is not base64") from error
    if len(data) != length or to_text(data) != text:
        raise InputError(f"signature or key holds {len(data)} bytes, not {length}")
    return data


@dataclass(frozen=True)
class KeyInfo:
    """What may be told about the bench's key."""

    path: Path
    fingerprint: str
    public_pem: str
    made_now: bool


def key_info(password: str | None = None) -> KeyInfo:
    """Return this bench's key as it may be shown; made when there is none."""
    key, made = bench_key(password)
    public = key.public_key()
    return KeyInfo(key_path(), fingerprint(public_bytes(public)), public_pem(public).decode("ascii"), made)
