"""The store of bundles: list them, promote one to be the current one, roll back, and log every change.

<store>/CURRENT names the current version, the hash of its manifest, the change that made it current and the
versions to go back to. It is replaced whole by an atomic rename, so a reader sees the old or the new file.
<store>/history.jsonl is the log of all changes; where the two differ, CURRENT is right. Whoever makes a
change holds the lock <store>/.lock.

Promotions form a stack: `promote` puts a version on top, `rollback` takes the top one off. After promoting A,
B and C, one rollback makes B current and a second one A; a third is refused. Only `promote` brings C back.
Promoting the current version again is logged and changes nothing else.
"""

import fcntl
import hashlib
import json
import os
import secrets
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from models.bundles.bundle import (
    Bundle,
    is_version,
    manifest_bytes,
    read_bundle,
    read_manifest,
    sync_folder,
    verify_files,
    write_durably,
)
from models.bundles.provisional import in_place_of_earned, is_provisional
from models.domain.names import nearest
from models.errors import (
    BundleChangedError,
    BundleDamagedError,
    BundleError,
    BundleMissingError,
    NoEarlierError,
)

CURRENT, HISTORY, _LOCK = "CURRENT", "history.jsonl", ".lock"
_MOST_EARLIER = 100  # Most versions that CURRENT keeps for rollbacks.


class Current(NamedTuple):
    """The current version and the SHA-256 of its manifest."""

    version: str
    manifest_sha256: str


@dataclass(frozen=True)
class Change:
    """One promotion or rollback: `version` became current instead of `before` (None if there was none)."""

    when: str
    action: str
    version: str
    before: str | None
    who: str
    why: str


def objections(manifest: Mapping[str, Any], current: Mapping[str, Any] | None) -> list[str]:
    """List the objections to promoting a bundle instead of the `current` one, given both manifests.

    First come the failed checks of its gate, the checks before promotion (none if they were not made after
    the fit), then the objection to a provisional bundle, if it applies.
    """
    verdict = manifest["about"].get("gate") or {"checks": []}
    failed = [check for check in verdict["checks"] if not check["passed"]]
    said = [f"{check['name']}: {check['detail']}" for check in failed]
    return said + in_place_of_earned(manifest, current)


class Registry:
    """The bundles of one store. Reading needs no lock; reading a damaged file raises BundleDamagedError."""

    def __init__(self, store: Path) -> None:
        self.store = Path(store)

    def versions(self) -> tuple[str, ...]:
        """List the versions of all complete bundles, oldest first."""
        folder = self.store / "bundles"
        names = [p.name for p in folder.iterdir()] if folder.is_dir() else []
        return tuple(sorted(name for name in names if is_version(name)))

    def folder(self, version: str) -> Path:
        """Return the folder of this version. Raises BundleMissingError that names similar versions."""
        known = self.versions()
        if version not in known:
            close = nearest(version, known)
            hint = f"did you mean {' or '.join(close)}?" if close else "list shows the versions there are"
            raise BundleMissingError(f"there is no bundle {version!r} in {self.store}; {hint}")
        return self.store / "bundles" / version

    def manifest(self, version: str) -> dict[str, Any]:
        """Return the manifest of this version. Raises BundleMissingError, BundleDamagedError."""
        return read_manifest(self.folder(version))

    def current(self) -> Current:
        """Return the current version. Raises BundleMissingError while none is promoted."""
        state = self._state()
        if state is None:
            step = "promote one of them" if self.versions() else "it holds none: fit one first"
            raise BundleMissingError(f"no bundle of {self.store} is promoted yet: {step}")
        return Current(state["version"], state["manifest_sha256"])

    def current_manifest(self) -> dict[str, Any] | None:
        """Return the manifest of the current version; None if no version is current or it cannot be read."""
        try:
            return self.manifest(self.current().version)
        except BundleError:
            return None

    def provisional(self, version: str) -> bool | None:
        """Say whether this version is provisional; None where its manifest cannot be read."""
        try:
            return is_provisional(self.manifest(version))
        except BundleError:  # one that is damaged must not hide the others
            return None

    def load(self) -> Bundle:
        """Read and verify the current bundle. Raises as `current` and `read_bundle`."""
        version, sha256 = self.current()
        return read_bundle(self.store / "bundles" / version, sha256)

    def history(self) -> tuple[Change, ...]:
        """List all promotions and rollbacks, oldest first."""
        logged, state = self._logged(), self._state()
        # A process that dies between writing CURRENT and the log leaves its change in CURRENT alone.
        missing = state is not None and state["change"] not in logged[-1:]
        return tuple(Change(**c) for c in [*logged, *([state["change"]] if state and missing else [])])

    def promote(self, version: str, *, who: str, why: str) -> Change:
        """Verify this version and make it current; on an error the current version stays current.

        The change that is returned is this one, whatever others change meanwhile.
        """
        with self._locked():
            target, state = self._verified(version), self._state()
            earlier = list(state["earlier"]) if state else []
            if state and state["version"] != version:
                earlier.append({name: state[name] for name in Current._fields})
            return self._change("promote", target, earlier, state, who, why)

    def rollback(self, *, who: str, why: str, of: str | None = None) -> Change:
        """Undo the last promotion that was not undone yet: make the version before it current again.

        `of`: roll back only if this version is current, so that a request sent twice is done once. Raises
        BundleChangedError if another one is, NoEarlierError if there is no version to go back to, and
        BundleMissingError if that bundle is gone; the current version then stays current.
        """
        with self._locked():
            state = self._state()
            if of is not None and (state is None or state["version"] != of):
                raise BundleChangedError(f"{state['version'] if state else 'nothing'} is current, not {of}")
            earlier = list(state["earlier"]) if state else []
            if not earlier:
                raise NoEarlierError(f"{self.store} has no earlier promotion to go back to")
            target = self._verified(**earlier.pop())
            return self._change("rollback", target, earlier, state, who, why)

    # ── CURRENT and the log ──────────────────────────────────────────────────

    def _verified(self, version: str, manifest_sha256: str | None = None) -> Current:
        folder = self.folder(version)
        manifest = read_manifest(folder, manifest_sha256)
        verify_files(folder, manifest)
        return Current(version, hashlib.sha256(manifest_bytes(folder)).hexdigest())

    def _state(self) -> dict[str, Any] | None:
        try:
            state = json.loads((self.store / CURRENT).read_bytes())
            # Read every key here, so that a damaged file is one clear error.
            _ = Change(**state["change"]), list(state["earlier"]), state["manifest_sha256"]
            if not is_version(state["version"]):
                raise ValueError(f"{state['version']!r} is no version")
        except FileNotFoundError:
            return None
        except (ValueError, LookupError, TypeError, AttributeError) as error:
            step = "remove it and promote a version again"
            raise BundleDamagedError(f"{self.store / CURRENT} cannot be read: {error}; {step}") from error
        return dict(state)

    def _change(
        self,
        action: str,
        target: Current,
        earlier: Sequence[Mapping[str, str]],
        state: Mapping[str, Any] | None,
        who: str,
        why: str,
    ) -> Change:
        when = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        change = Change(when, action, target.version, state["version"] if state else None, who, why)
        if state and state["change"] not in self._logged()[-1:]:
            self._log(state["change"])
        new = {**target._asdict(), "change": asdict(change), "earlier": list(earlier)[-_MOST_EARLIER:]}
        aside = self.store / f".{CURRENT}-{secrets.token_hex(6)}"
        try:
            write_durably(aside, (json.dumps(new, indent=1) + "\n").encode())
            aside.replace(self.store / CURRENT)
        except BaseException:
            aside.unlink(missing_ok=True)
            raise
        sync_folder(self.store)
        self._log(asdict(change))
        return change

    def _logged(self) -> list[dict[str, Any]]:
        try:
            lines = (self.store / HISTORY).read_text(encoding="utf-8", errors="replace").split("\n")
        except FileNotFoundError:
            return []
        return [entry for entry in map(_entry, lines) if entry is not None]

    def _log(self, change: Mapping[str, Any]) -> None:
        line = json.dumps(change, ensure_ascii=False) + "\n"
        with (self.store / HISTORY).open("a+b") as log:
            end = log.seek(0, os.SEEK_END)
            if end and os.pread(log.fileno(), 1, end - 1) != b"\n":
                line = "\n" + line  # The last line was cut short, so this change begins a new line.
            log.write(line.encode())
            log.flush()
            os.fsync(log.fileno())

    @contextmanager
    def _locked(self) -> Iterator[None]:
        if not self.store.is_dir():
            raise BundleMissingError(f"there is no store at {self.store}")
        with (self.store / _LOCK).open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield


def _entry(line: str) -> dict[str, Any] | None:
    """Read one line of the log; None for a line that was cut short."""
    try:
        entry = json.loads(line)
        Change(**entry)
    except (ValueError, TypeError):
        return None
    return dict(entry)
