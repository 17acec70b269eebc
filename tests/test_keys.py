"""Other machines get in by their keys and the allow-list only, and are told why when they do not.

127.0.0.2 stands for another interface: it is an address of this machine, but not the one that needs
no keys.
"""

from __future__ import annotations

import socket
import stat
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest

from bridge import keys
from bridge.bus import Addresses, Desk, DeskClient, Publisher, SessionFeed
from bridge.cli import main
from bridge.errors import BusError, ConfigError, ExitCode
from bridge.messages import Scene, Snapshot, SnapshotRequest

HOST = "127.0.0.2"


@pytest.fixture
def machines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Path]:
    """Takes the place of one machine after another, each with a settings folder of its own."""

    def become(name: str) -> Path:
        monkeypatch.setenv("RAILCREST_CONFIG", str(tmp_path / name))
        return tmp_path / name / "keys" / "own.key"

    return become


@pytest.fixture
def arena(machines: Callable[[str], Path], scene: Scene) -> Iterator[Addresses]:
    """A capture that listens for other machines and allows the one called viewer."""
    machines("viewer")
    viewer_key = keys.new()
    machines("arena")
    keys.new()
    keys.allow(viewer_key, "table-1")
    with Publisher(Addresses(host=HOST), "s", "run-1") as publisher:
        publisher.publish(scene, 0)
        answers = {SnapshotRequest: lambda _: publisher.records.snapshot()}
        with Desk(publisher.addresses, "s", "run-1", answers) as desk:
            stop = threading.Event()
            thread = threading.Thread(target=desk.run, args=(stop,))
            thread.start()
            try:
                yield desk.addresses
            finally:
                stop.set()
                thread.join()


def ask(addresses: Addresses) -> object:
    with DeskClient(addresses) as client:
        return client.ask(SnapshotRequest(), timeout_s=2.0)


def problem_of(addresses: Addresses) -> str:
    with SessionFeed(addresses) as feed:
        end = time.monotonic() + 5
        while time.monotonic() < end:
            assert feed.poll(0.05) == [], "nothing may get out"
            if feed.problem:
                return feed.problem
    pytest.fail("the viewer was not told why")


def test_a_known_key_gets_in(arena: Addresses, machines: Callable[[str], Path]) -> None:
    machines("viewer")
    assert isinstance(ask(arena), Snapshot)
    with SessionFeed(arena) as feed:
        end = time.monotonic() + 5
        while not feed.synced and time.monotonic() < end:
            feed.poll(0.05)
        assert feed.synced
        assert feed.problem is None


def test_the_same_machine_needs_no_further_key(arena: Addresses) -> None:
    assert isinstance(ask(arena), Snapshot)


def test_an_unknown_key_stays_out_and_is_told(arena: Addresses, machines: Callable[[str], Path]) -> None:
    machines("stranger")
    keys.new()
    with pytest.raises(BusError, match="does not know this machine's key"):
        ask(arena)
    assert "does not know this machine's key" in problem_of(arena)


def test_a_revoked_key_stays_out(arena: Addresses, machines: Callable[[str], Path]) -> None:
    machines("arena")
    keys.revoke("table-1")
    machines("viewer")
    with pytest.raises(BusError, match="does not know"):
        ask(arena)


def test_a_plain_client_stays_out_and_is_told(arena: Addresses, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Addresses, "here", property(lambda self: self.host.startswith("127.")))
    plain = msgspec.structs.replace(arena, server_key="")
    monkeypatch.setattr(Addresses, "url", lambda self, port: f"tcp://{HOST}:{port}")
    with pytest.raises(BusError, match="nobody in without keys"):
        ask(plain)
    assert "nobody in without keys" in problem_of(plain)


def test_a_wrong_server_is_not_spoken_to(arena: Addresses, machines: Callable[[str], Path]) -> None:
    machines("elsewhere")
    wrong = keys.public_key(keys.new()).decode()
    machines("viewer")
    with pytest.raises(BusError, match="not the one given with --key"):
        ask(msgspec.structs.replace(arena, server_key=wrong))
    with pytest.raises(BusError, match="--key"):
        ask(msgspec.structs.replace(arena, server_key=""))


def test_without_keys_or_allow_list_the_bus_does_not_open(machines: Callable[[str], Path]) -> None:
    machines("bare")
    for host in (HOST, "0.0.0.0", "192.0.2.7"):
        with pytest.raises(BusError, match="railcrest keys new") as caught:
            Publisher(Addresses(host=host), "s", "run-1")
        assert caught.value.exit_code == ExitCode.BUS
    keys.new()
    with pytest.raises(BusError, match="railcrest keys allow"):
        Desk(Addresses(host=HOST), "s", "run-1", {})


def test_an_address_of_another_machine_is_named(machines: Callable[[str], Path]) -> None:
    machines("arena")
    keys.allow(keys.new(), "itself")
    with pytest.raises(BusError, match=r"192\.0\.2\.7, port 0: cannot be opened .* --listen"):
        Publisher(Addresses(host="192.0.2.7"), "s", "run-1")


def test_secrets_are_private(machines: Callable[[str], Path]) -> None:
    public = machines("arena")
    keys.new()
    secret = public.with_suffix(".key_secret")
    assert stat.S_IMODE(secret.stat().st_mode) == 0o600
    assert stat.S_IMODE(public.parent.stat().st_mode) == 0o700
    assert sorted(p.name for p in public.parent.iterdir()) == ["allowed", "own.key", "own.key_secret"]
    assert keys.own()[1].decode() not in public.read_text()
    with pytest.raises(ConfigError, match="--replace"):
        keys.new()
    secret.chmod(0o644)
    with pytest.raises(BusError, match="others can read"):
        keys.own()


def test_only_the_public_half_is_kept_of_what_is_allowed(machines: Callable[[str], Path]) -> None:
    public = machines("arena")
    keys.new()
    keys.allow(public.with_suffix(".key_secret"), "table-1")
    kept = public.parent / "allowed" / "table-1.key"
    assert keys.own()[1].decode() not in kept.read_text()
    assert keys.allowed() == {"table-1": keys.own()[0]}


@pytest.mark.parametrize("name", ["../x", "a/b", "", ".hidden", "x" * 41, "a\0b", "tür"])
def test_names_of_keys_cannot_leave_the_folder(machines: Callable[[str], Path], name: str) -> None:
    machines("arena")
    with pytest.raises(ConfigError, match="key's name"):
        keys.allow(keys.new(), name)
    with pytest.raises(ConfigError, match="key's name"):
        keys.revoke(name)


@pytest.mark.parametrize("content", ["", "curve\n", 'curve\n    public-key = "short"\n', "\0\xff"])
def test_what_is_no_key_is_refused(tmp_path: Path, content: str) -> None:
    (tmp_path / "x.key").write_text(content)
    with pytest.raises(ConfigError, match="holds no public key"):
        keys.public_key(tmp_path / "x.key")
    with pytest.raises(ConfigError, match="no such file"):
        keys.public_key(tmp_path / "missing.key")


def test_the_commands(machines: Callable[[str], Path], capsys: pytest.CaptureFixture[str]) -> None:
    public = machines("arena")
    assert main(["keys", "new"]) == 0
    assert capsys.readouterr().out.strip() == str(public)
    assert main(["keys", "new"]) == ExitCode.CONFIG
    assert main(["keys", "allow", str(public), "--name", "table-1"]) == 0
    assert main(["keys", "list"]) == 0
    assert [line.split("  ")[1].split()[0] for line in capsys.readouterr().out.splitlines()] == [
        "this",
        "table-1",
    ]
    assert main(["keys", "revoke", "table-1"]) == 0
    assert main(["keys", "revoke", "table-1"]) == ExitCode.CONFIG


def test_this_machine_alone_needs_no_keys(machines: Callable[[str], Path]) -> None:
    machines("bare")
    with Publisher(Addresses(), "s", "run-1") as publisher, socket.socket() as plain:
        assert publisher.addresses.server_key == ""
        plain.connect(("127.0.0.1", publisher.addresses.state))
        assert plain.getpeername()[0] == "127.0.0.1"
