"""Keys of this machine and of the viewers it lets in, for a bus that other machines may reach.

Each machine makes one pair of CURVE keys. Its public half (``own.key``) is carried to the other side
by hand: capture's to each viewer, each viewer's to capture, where it is put on the allow-list.
ZeroMQ's certificate files hold them; secrets are readable by their user only and never travel.
"""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path
from typing import Annotated, Final

import platformdirs
import typer
import zmq
import zmq.auth

from bridge.errors import BusError, ConfigError

OWN: Final = "own"
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


def keys_dir() -> Path:
    """Where keys lie: RAILCREST_CONFIG, else the user's settings folder."""
    named = os.environ.get("RAILCREST_CONFIG")
    return (Path(named) if named else platformdirs.user_config_path("railcrest")) / "keys"


def new(*, replace: bool = False) -> Path:
    """Make this machine's pair of keys; returns the public file.

    Raises:
        ConfigError: there is one already, or the folder cannot be written.
    """
    folder = keys_dir()
    public = folder / f"{OWN}.key"
    if public.exists() and not replace:
        raise ConfigError(f"{public}: is there already; --replace makes new ones, which all others must get")
    try:
        (folder / "allowed").mkdir(parents=True, exist_ok=True, mode=0o700)
        folder.chmod(0o700)
        # Made in a folder nobody else can enter, so that the secret is never readable, not even briefly.
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            made, secret = zmq.auth.create_certificates(scratch, OWN)
            for path in (Path(secret), Path(made)):
                path.chmod(0o600)
                path.replace(folder / path.name)
    except OSError as error:
        raise ConfigError(f"{folder}: cannot be written ({error})") from error
    return public


def own(folder: Path | None = None) -> tuple[bytes, bytes]:
    """This machine's public and secret key (Z85). Raises BusError when it has none fit for use."""
    path = (folder or keys_dir()) / f"{OWN}.key_secret"
    try:
        if path.stat().st_mode & 0o077:
            raise BusError(f"{path}: others can read these secret keys; run railcrest keys new --replace")
        public, secret = zmq.auth.load_certificate(path)
    except FileNotFoundError as error:
        raise BusError("other machines need keys, and this one has none; run railcrest keys new") from error
    except (OSError, ValueError) as error:
        raise BusError(f"{path}: cannot be read ({error}); run railcrest keys new --replace") from error
    if secret is None:
        raise BusError(f"{path}: holds no secret key; run railcrest keys new --replace")
    return public, secret


def public_key(path: Path) -> bytes:
    """The public key (Z85) in a certificate file. Raises ConfigError when there is none."""
    if not path.is_file():
        raise ConfigError(f"{path}: no such file; give the own.key of the other machine")
    try:
        public, _ = zmq.auth.load_certificate(path)
        if len(public) != 40 or len(zmq.utils.z85.decode(public)) != 32:
            raise ValueError("it is not 40 characters of Z85")
    except Exception as error:  # the parser of these files raises whatever comes
        raise ConfigError(f"{path}: holds no public key ({error}); give an own.key file") from error
    return public


def allowed(folder: Path | None = None) -> dict[str, bytes]:
    """Public keys of the viewers that are let in, by the name they were given."""
    found = {}
    for path in sorted(((folder or keys_dir()) / "allowed").glob("*.key")):
        found[path.stem] = public_key(path)
    return found


def allow(path: Path, name: str) -> None:
    """Let in whoever holds the secret half of a public key.

    Raises:
        ConfigError: the name is unfit or taken, or the file holds no key.
    """
    public, target = public_key(path), _allowed_file(name)
    if target.exists() and public_key(target) != public:
        raise ConfigError(f"{name}: another key has that name; revoke it first or choose another")
    try:
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        # Only the public half, whatever else the file held.
        target.write_text(f'metadata\ncurve\n    public-key = "{public.decode()}"\n')
        target.chmod(0o600)
    except OSError as error:
        raise ConfigError(f"{target}: cannot be written ({error})") from error


def revoke(name: str) -> None:
    """Take a viewer off the allow-list; it is kept out from its next connection on."""
    try:
        _allowed_file(name).unlink()
    except FileNotFoundError as error:
        raise ConfigError(f"{name}: no such key is allowed; see railcrest keys list") from error


def _allowed_file(name: str) -> Path:
    if not _NAME.fullmatch(name):
        raise ConfigError(f"{name!r}: a key's name is up to 40 letters, digits, - and _")
    return keys_dir() / "allowed" / f"{name}.key"


class AllowList:
    """Tells ZeroMQ's authenticator who may enter: this machine itself, and whom the list names now."""

    def __init__(self) -> None:
        self._folder = keys_dir()

    def callback(self, domain: str, key: bytes) -> bool:
        """Whether the holder of a public key (Z85) may enter."""
        try:
            return key == own(self._folder)[0] or key in allowed(self._folder).values()
        except (BusError, ConfigError):
            return False


# --- the commands ---------------------------------------------------------------------------

commands = typer.Typer(
    help="Keys for viewers on other machines. Without them the bus never leaves this one.",
    no_args_is_help=True,
)


@commands.command("new")
def _new(replace: Annotated[bool, typer.Option(help="Make new ones in place of the old.")] = False) -> None:
    """Make this machine's keys and print the file to carry to the other one."""
    typer.echo(new(replace=replace))


@commands.command("list")
def _list() -> None:
    """Show this machine's public key and those that are let in."""
    try:
        typer.echo(f"{own()[0].decode()}  this machine ({keys_dir() / f'{OWN}.key'})")
    except BusError as error:
        typer.echo(f"railcrest: {error}", err=True)
    for name, key in allowed().items():
        typer.echo(f"{key.decode()}  {name}")


@commands.command("allow")
def _allow(
    file: Annotated[Path, typer.Argument(help="The other machine's own.key.")],
    name: Annotated[str, typer.Option("--name", help="What to call it here.")],
) -> None:
    """Let a viewer in."""
    allow(file, name)


@commands.command("revoke")
def _revoke(name: str) -> None:
    """Keep a viewer out from its next connection on."""
    revoke(name)
