"""The settings: one table that feeds code and documents; all faults at once; no secret is ever shown."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest
from click.testing import CliRunner

from service.cli import main
from service.errors import SettingsError
from service.settings import REQUIRED, SETTINGS, Settings, read_settings, table

ROOT = Path(__file__).parents[2]
SECRET = "s3cret" * 8
# What whoever asks a service sets: the service itself knows nothing of it.
CALLERS, CALLERS_COMMAND = {"BOOKMATCH_URL", "BOOKMATCH_KEY"}, ROOT / "service" / "commands" / "value.py"


@pytest.fixture(autouse=True)
def clean(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for setting in SETTINGS:
        monkeypatch.delenv(setting.variable, raising=False)
        monkeypatch.delenv(f"{setting.variable}_FILE", raising=False)
    monkeypatch.setenv("BOOKMATCH_STORE", str(tmp_path))
    monkeypatch.setenv("BOOKMATCH_SECRET", SECRET)


def test_the_table_and_the_settings_are_one() -> None:
    own = {field.name: field for field in fields(Settings)}
    assert set(own) == {setting.name for setting in SETTINGS}
    found = read_settings()
    for setting in SETTINGS:
        assert setting.help.endswith(".")
        if setting.default is not REQUIRED:
            assert getattr(found, setting.name) == setting.default == own[setting.name].default


def test_every_setting_that_the_code_reads_is_in_the_table_and_documented() -> None:
    known = {row["name"] for row in table()}
    shown = CliRunner().invoke(main, ["settings"]).stdout
    assert all(f"{name}\n" in shown for name in known)
    for path in [*(ROOT / "service").rglob("*.py"), *(ROOT / "tools").rglob("*.py"), ROOT / "README.md"]:
        named = set(re.findall(r"BOOKMATCH_[A-Z_]*[A-Z]", path.read_text(encoding="utf-8")))
        unknown = {name.removesuffix("_FILE") for name in named} - known - CALLERS
        assert not unknown, f"{path}: {unknown}"


def test_nothing_reads_the_environment_but_the_settings() -> None:
    for path in (ROOT / "service").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if path == CALLERS_COMMAND:
            continue
        reads = re.findall(r"os\.environ\.get|getenv|os\.environ\[\"BOOKMATCH", text)
        assert not reads, path


def test_all_faults_are_said_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BOOKMATCH_STORE")
    monkeypatch.setenv("BOOKMATCH_SECRET", "short")
    monkeypatch.setenv("BOOKMATCH_WORKERS", "many")
    monkeypatch.setenv("BOOKMATCH_THREADS", "0")
    monkeypatch.setenv("BOOKMATCH_DATABASE", "mysql://h/n")
    monkeypatch.setenv("BOOKMATCH_LOG_LEVEL", "loud")
    with pytest.raises(SettingsError) as caught:
        read_settings()
    named = [fault.split(":")[0].split(" ")[0] for fault in caught.value.faults]
    wanted = ("STORE", "DATABASE", "SECRET", "WORKERS", "THREADS", "LOG_LEVEL")
    assert named == [f"BOOKMATCH_{name}" for name in wanted]
    assert "short" not in str(caught.value).split("Shorter")[0]


def test_there_is_no_working_secret_but_ones_own(monkeypatch: pytest.MonkeyPatch) -> None:
    for secret in (None, "", "changeme", "x" * 31):
        if secret is None:
            monkeypatch.delenv("BOOKMATCH_SECRET")
        else:
            monkeypatch.setenv("BOOKMATCH_SECRET", secret)
        with pytest.raises(SettingsError, match="BOOKMATCH_SECRET"):
            read_settings()


def test_a_secret_can_come_from_a_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / "secret"
    path.write_text("f" * 40 + "\n")
    monkeypatch.delenv("BOOKMATCH_SECRET")
    monkeypatch.setenv("BOOKMATCH_SECRET_FILE", str(path))
    assert read_settings().secret == "f" * 40
    monkeypatch.setenv("BOOKMATCH_SECRET_FILE", str(tmp_path / "nothing"))
    with pytest.raises(SettingsError, match="BOOKMATCH_SECRET"):
        read_settings()


def test_no_secret_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOOKMATCH_DATABASE", f"postgresql://me:{SECRET}@h/n")
    assert SECRET not in repr(read_settings())
    monkeypatch.setenv("BOOKMATCH_DATABASE", f"mysql://me:{SECRET}@h/n")
    with pytest.raises(SettingsError) as caught:
        read_settings()
    assert SECRET not in str(caught.value)


def test_faulty_settings_end_a_command_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BOOKMATCH_SECRET")
    monkeypatch.setenv("BOOKMATCH_WORKERS", "900")
    for words in (["serve"], ["migrate"], ["keys", "list"]):
        found = CliRunner().invoke(main, words)
        assert (found.exit_code, found.stdout) == (1, "")
        assert found.stderr.count("\n") == 1
        assert "BOOKMATCH_SECRET" in found.stderr and "BOOKMATCH_WORKERS" in found.stderr
