"""The store of bundles: list them, promote one to be the current one, roll back, and log every change.

<store>/CURRENT names the current version, the hash of its manifest, the change that made it current and the
versions to go back to. It is replaced whole by an atomic rename, so a reader sees the old or the new file.
<store>/history.jsonl is the log of all changes; where the two differ, CURRENT is right. Whoever makes a
change holds the lock <store>/.lock. A store is a folder (`folder.py`), or an S3-compatible store of the same
files (`remote.py`).

Promotions form a stack: `promote` puts a version on top, `rollback` takes the top one off. After promoting A,
B and C, one rollback makes B current and a second one A; a third is refused. Only `promote` brings C back.
Promoting the current version again is logged and changes nothing else.
"""

import hashlib
import json
from collections.abc import Hashable, Mapping, Sequence
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
    verify_files,
)
from models.bundles.folder import CURRENT, FolderPlace, Place, Seen
from models.bundles.places import Store
from models.bundles.provisional import in_place_of_earned, is_provisional
from models.domain.names import nearest
from models.errors import (
    BundleChangedError,
    BundleDamagedError,
    BundleError,
    BundleMissingError,
    NoEarlierError,
    StoreAwayError,
)

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
    """The bundles of one store. Reading needs no lock; reading a damaged file raises BundleDamagedError.

    Any method raises StoreAwayError if a store that is no folder does not answer.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self._place: Place = FolderPlace(store) if isinstance(store, Path) else store

    def versions(self) -> tuple[str, ...]:
        """List the versions of all complete bundles, oldest first."""
        return tuple(sorted(self._place.versions()))

    def folder(self, version: str) -> Path:
        """Return a folder with its files. Raises BundleMissingError that names similar versions."""
        self.check_has(version)
        return self._place.folder(version)

    def check_has(self, version: str) -> None:
        """Raise BundleMissingError that names similar versions if there is no bundle of this one."""
        if not self._place.has(version):
            close = nearest(version, self.versions())
            hint = f"did you mean {' or '.join(close)}?" if close else "list shows the versions there are"
            raise BundleMissingError(f"there is no bundle {version!r} in {self.store}; {hint}")

    def manifest(self, version: str) -> dict[str, Any]:
        """Return the manifest of this version. Raises BundleMissingError, BundleDamagedError."""
        self.check_has(version)
        return read_manifest(self._place.told(version))

    def current(self) -> Current:
        """Return the current version. Raises BundleMissingError while none is promoted."""
        return self._current(self._state())

    def last_current(self) -> Current:
        """Return the current version as this machine knew it last; for a start while the store is away."""
        return self._current(self._read(self._place.last_current()))

    def _current(self, state: Mapping[str, Any] | None) -> Current:
        if state is None:
            step = "promote one of them" if self.versions() else "it holds none: fit one first"
            raise BundleMissingError(f"no bundle of {self.store} is promoted yet: {step}")
        return Current(state["version"], state["manifest_sha256"])

    def current_manifest(self) -> dict[str, Any] | None:
        """Return the manifest of the current version; None if no version is current or it cannot be read."""
        try:
            return self.manifest(self.current().version)
        except StoreAwayError:  # which must not pass for a store without a current version
            raise
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
        return read_bundle(self.local(version, sha256), sha256)

    def local(self, version: str, manifest_sha256: str) -> Path:
        """Return a folder of this machine with a bundle whose manifest has, or should have, this hash."""
        return self._place.folder(version, manifest_sha256)

    def mark(self) -> Hashable:
        """Return what changes whenever another version becomes current."""
        return self._place.mark()

    def kept(self) -> tuple[bytes | None, bytes]:
        """Return the content of CURRENT (None if there is none) and of the log of changes."""
        seen = self._place.current()
        return (seen.data if seen else None), self._place.history()

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

        def change() -> Change:
            target, (seen, state) = self._verified(version), self._seen()
            earlier = list(state["earlier"]) if state else []
            if state and state["version"] != version:
                earlier.append({name: state[name] for name in Current._fields})
            return self._change(_Step("promote", who, why), target, earlier, seen, state)

        return self._place.alone(change)

    def rollback(self, *, who: str, why: str, of: str | None = None) -> Change:
        """Undo the last promotion that was not undone yet: make the version before it current again.

        `of`: roll back only if this version is current, so that a request sent twice is done once. Raises
        BundleChangedError if another one is, NoEarlierError if there is no version to go back to, and
        BundleMissingError if that bundle is gone; the current version then stays current.
        """

        def change() -> Change:
            seen, state = self._seen()
            if of is not None and (state is None or state["version"] != of):
                raise BundleChangedError(f"{state['version'] if state else 'nothing'} is current, not {of}")
            earlier = list(state["earlier"]) if state else []
            if not earlier:
                raise NoEarlierError(f"{self.store} has no earlier promotion to go back to")
            target = self._verified(**earlier.pop())
            return self._change(_Step("rollback", who, why), target, earlier, seen, state)

        return self._place.alone(change)

    # ── CURRENT and the log ──────────────────────────────────────────────────

    def _verified(self, version: str, manifest_sha256: str | None = None) -> Current:
        self.check_has(version)
        folder = self._place.folder(version, manifest_sha256)
        manifest = read_manifest(folder, manifest_sha256)
        verify_files(folder, manifest)
        return Current(version, hashlib.sha256(manifest_bytes(folder)).hexdigest())

    def _state(self) -> dict[str, Any] | None:
        return self._seen()[1]

    def _seen(self) -> tuple[Seen | None, dict[str, Any] | None]:
        seen = self._place.current()
        return seen, self._read(seen)

    def _read(self, seen: Seen | None) -> dict[str, Any] | None:
        if seen is None:
            return None
        try:
            state = json.loads(seen.data)
            # Read every key here, so that a damaged file is one clear error.
            _ = Change(**state["change"]), list(state["earlier"]), state["manifest_sha256"]
            if not is_version(state["version"]):
                raise ValueError(f"{state['version']!r} is no version")
        except (ValueError, LookupError, TypeError, AttributeError) as error:
            step = "remove it and promote a version again"
            raise BundleDamagedError(f"{self.store}/{CURRENT} cannot be read: {error}; {step}") from error
        return dict(state)

    def _change(
        self,
        step: "_Step",
        target: Current,
        earlier: Sequence[Mapping[str, str]],
        seen: Seen | None,
        state: Mapping[str, Any] | None,
    ) -> Change:
        when = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        before = state["version"] if state else None
        change = Change(when, step.action, target.version, before, step.who, step.why)
        if state and state["change"] not in self._logged()[-1:]:
            self._place.log(state["change"])
        new = {**target._asdict(), "change": asdict(change), "earlier": list(earlier)[-_MOST_EARLIER:]}
        self._place.replace((json.dumps(new, indent=1) + "\n").encode(), seen)
        self._place.log(asdict(change))
        return change

    def _logged(self) -> list[dict[str, Any]]:
        lines = self._place.history().decode("utf-8", errors="replace").split("\n")
        return [entry for entry in map(_entry, lines) if entry is not None]


class _Step(NamedTuple):
    """A change that is asked for: what it is, who asks for it, and why."""

    action: str
    who: str
    why: str


def _entry(line: str) -> dict[str, Any] | None:
    """Read one line of the log; None for a line that was cut short."""
    try:
        entry = json.loads(line)
        Change(**entry)
    except (ValueError, TypeError):
        return None
    return dict(entry)
