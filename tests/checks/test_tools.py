"""The scripts behind `make`: what is missing is installed or named, and what is printed can be pasted."""

from __future__ import annotations

import importlib.util
import socket
import stat
import subprocess
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest
from checks.source import ROOT


def script(name: str) -> ModuleType:
    """A script of tools/, which is no package."""
    spec = importlib.util.spec_from_file_location(f"tool_{name}", ROOT / "tools" / f"{name}.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# ── packages of the system ───────────────────────────────────────────────────


class Machine:
    """A machine without one need, as the script sees it; `apt` collects what was asked of apt-get."""

    def __init__(self, tool: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
        self.present, self.apt, self.code = False, [], 0
        monkeypatch.setattr(tool, "NEEDS", {"openmp": (lambda: self.present, "libgomp1")})
        monkeypatch.setattr(tool.subprocess, "run", self.run)
        monkeypatch.setattr(tool.shutil, "which", lambda name: f"/usr/bin/{name}")

    def run(self, command: list[str], **_: object) -> SimpleNamespace:
        self.apt.append(command[1])
        self.present = command[1] == "install" and not self.code
        return SimpleNamespace(returncode=self.code)


@pytest.fixture
def needs() -> ModuleType:
    return script("needs")


@pytest.fixture
def machine(needs: ModuleType, monkeypatch: pytest.MonkeyPatch) -> Machine:
    return Machine(needs, monkeypatch)


def test_root_gets_what_is_missing_and_nothing_the_second_time(needs, machine, monkeypatch):
    monkeypatch.setattr(needs.os, "geteuid", lambda: 0)
    needs.main(["openmp"])
    assert machine.apt == ["update", "install"]
    needs.main(["openmp"])
    assert machine.apt == ["update", "install"]


def test_others_are_told_what_to_run(needs, machine, monkeypatch):
    monkeypatch.setattr(needs.os, "geteuid", lambda: 1000)
    with pytest.raises(SystemExit, match=r"only root .*sudo apt-get install -y libgomp1"):
        needs.main(["openmp"])
    assert machine.apt == []


def test_without_apt_the_package_is_named(needs, machine, monkeypatch):
    monkeypatch.setattr(needs.shutil, "which", lambda name: None)
    with pytest.raises(SystemExit, match=r"no apt-get .*libgomp1"):
        needs.main(["openmp"])


def test_a_failing_apt_is_reported(needs, machine, monkeypatch):
    monkeypatch.setattr(needs.os, "geteuid", lambda: 0)
    machine.code = 100
    with pytest.raises(SystemExit, match=r"apt-get update failed; libgomp1 is still missing"):
        needs.main(["openmp"])


def test_an_old_python_is_told_which_one_is_needed(needs, machine, monkeypatch):
    monkeypatch.setattr(
        needs, "sys", SimpleNamespace(version_info=(3, 9, 2), executable="old", exit=needs.sys.exit)
    )
    with pytest.raises(SystemExit, match=r"needs Python 3\.11 or later, and old is 3\.9\.2"):
        needs.main(["openmp"])


def test_the_needs_of_this_machine_are_met(needs):
    assert {name: found() for name, (found, _) in needs.NEEDS.items()} == dict.fromkeys(needs.NEEDS, True)


# ── the demo service ─────────────────────────────────────────────────────────


@pytest.fixture
def serve_demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    tool = script("serve_demo")
    for name in ("SECRET", "KEY", "DATABASE"):
        monkeypatch.setattr(tool, name, tmp_path / name)
    return tool


def test_the_printed_request_is_one_command_of_the_shell(serve_demo):
    printed = serve_demo.invitation("http://127.0.0.1:8000", "a-key")
    command = "printf '%s\\0'" + printed[printed.index("curl ") :].removeprefix("curl")
    echoed = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True)
    words = echoed.stdout.split("\0")[:-1]
    assert words[:2] == ["-sS", "http://127.0.0.1:8000/v1/valuations"]
    assert words[2:6] == ["-H", "Authorization: Bearer a-key", "-H", "Content-Type: application/json"]
    assert words[6:] == ["-d", (ROOT / "examples" / "request.json").read_text(encoding="utf-8").strip()]


def test_a_shell_reads_the_settings_of_the_demo(serve_demo, tmp_path, monkeypatch):
    """Whatever stands in the path of the folder."""
    database = f"sqlite:///{tmp_path}/a folder; 'quoted'/bookmatch.db"
    monkeypatch.setenv("BOOKMATCH_STORE", f"{tmp_path}/store")
    monkeypatch.setenv("BOOKMATCH_DATABASE", database)
    monkeypatch.setenv("BOOKMATCH_SECRET_FILE", "secret")
    file = tmp_path / "demo.env"
    serve_demo.write_private(file, serve_demo.settings("http://127.0.0.1:8001", "a-key"))
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    shell = f"set -a; . {file}; set +a; env"
    read = subprocess.run(["bash", "-c", shell], env={}, capture_output=True, text=True, check=True).stdout
    assert f"\nBOOKMATCH_DATABASE={database}\n" in f"\n{read}"
    assert {"BOOKMATCH_URL=http://127.0.0.1:8001", "BOOKMATCH_KEY=a-key"} <= set(read.splitlines())
    assert file.read_text().splitlines()[0] == f"BOOKMATCH_STORE={tmp_path}/store"


def test_the_secret_is_its_owners_alone_and_made_once(serve_demo):
    serve_demo.make_secret()
    first = serve_demo.SECRET.read_text()
    assert len(first) >= 32
    assert stat.S_IMODE(serve_demo.SECRET.stat().st_mode) == 0o600
    serve_demo.make_secret()
    assert serve_demo.SECRET.read_text() == first


@pytest.mark.parametrize("lost", ["SECRET", "DATABASE"])
def test_a_key_dies_with_what_it_was_made_with(serve_demo, lost):
    for name in ("SECRET", "DATABASE", "KEY"):
        getattr(serve_demo, name).write_text("old")
    serve_demo.make_secret()
    assert serve_demo.KEY.exists()
    getattr(serve_demo, lost).unlink()
    serve_demo.make_secret()
    assert not serve_demo.KEY.exists()


def test_a_taken_port_is_refused_with_a_way_out(serve_demo):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        bind = f"127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(SystemExit, match=r"is taken.*BOOKMATCH_BIND="):
            serve_demo.refuse_busy(bind)
    serve_demo.refuse_busy(bind)


# ── the kernels of OpenBLAS ──────────────────────────────────────────────────


class Processor:
    """A processor whose own choice is Haswell and on which Nehalem dies, as the script sees it.

    `asked`: the kernels asked for, "" for its own choice. `ran`: those that tests ran under; `red`: those
    under which they fail.
    """

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.ran: list[str] = []
        self.red: set[str] = set()

    def run(self, command: list[str], *, env: dict[str, str], **_: object) -> SimpleNamespace:
        assert "OPENBLAS_L2_SIZE" not in env
        kernel = env.get("OPENBLAS_CORETYPE", "")
        if "pytest" in command:
            self.ran.append(kernel)
            return SimpleNamespace(returncode=int(kernel in self.red))
        self.asked.append(kernel)
        return SimpleNamespace(returncode=-4 if kernel == "Nehalem" else 0, stdout=f"{kernel or 'Haswell'}\n")


@pytest.fixture
def processor() -> Processor:
    return Processor()


@pytest.fixture
def kernels(processor: Processor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    tool = script("kernels")
    (tmp_path / "cpuinfo").write_text("flags\t\t: fpu sse4_2 avx avx2\n")
    monkeypatch.setattr(tool, "CPUINFO", tmp_path / "cpuinfo")
    monkeypatch.setattr(tool.subprocess, "run", processor.run)
    # What the caller's environment chooses is not the processor's own choice.
    monkeypatch.setenv("OPENBLAS_CORETYPE", "Sandybridge")
    monkeypatch.setenv("OPENBLAS_L2_SIZE", "512")
    return tool


def test_each_kernel_that_the_processor_has_runs_once_and_its_own_choice_first(kernels, processor, capsys):
    assert kernels.main(["tests"]) == 0
    assert processor.asked == ["", "Sandybridge", "Nehalem"]  # never for what the flags rule out
    assert processor.ran == ["", "Sandybridge"]
    printed = capsys.readouterr().out
    assert "Haswell (the processor's own choice): passed\nSandybridge: passed\n" in printed
    assert "SkylakeX: not run" in printed and "Nehalem: not run" in printed


def test_one_failing_kernel_fails_the_whole_and_does_not_stop_the_others(kernels, processor, capsys):
    processor.red = {""}
    assert kernels.main(["tests"]) == 1
    assert processor.ran == ["", "Sandybridge"]
    printed = capsys.readouterr().out
    assert "own choice): FAILED\nSandybridge: passed\n" in printed


def test_the_libraries_of_this_machine_say_which_kernel_they_took():
    tool = script("kernels")
    own, found = tool.kernels()
    assert own.isalnum() and next(iter(found)) == own  # one name: numpy and scipy took the same
    assert tool.answered({**found[own], "OPENBLAS_CORETYPE": "no such kernel"}) == own
