"""Why two subjects of one model differ in value: exact baseline Shapley effects of every factor.

The level's blocks depend on one or two factors each and are counted at their corners; the saturating losses
are a sum or a product over their fields that the build switches; the forest is counted leaf by leaf. Each is
exact, so the effects sum to the difference of the values, and none has the wrong sign where the value is
monotone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from models.price.backbone import LEVEL
from models.price.basis import Floats
from models.price.core import Core
from models.price.features import PLAYERS
from models.price.games import switched_product, switched_sum
from models.price.interface import FACTORS
from models.price.shapley import corner_game
from models.price.sides import Sides, players_of

_PLACE: Mapping[str, int] = {name: at for at, name in enumerate(FACTORS)}


def effects_between(core: Core, sides: Sides) -> Floats:
    """(n, len(FACTORS)) log effects from reference to subject; row sums are the differences of value."""
    out = np.zeros((len(sides.subjects), len(FACTORS)))
    for players, places in _level_games(core).items():
        out[:, [_PLACE[p] for p in players]] += _level(core, sides, players, places)
    players, effects = _losses(core, sides)
    out[:, [_PLACE[p] for p in players]] += effects
    if core.hidden is not None:
        names = core.hidden.columns
        everyone, nobody = frozenset(PLAYERS[c][0] for c in names), frozenset[str]()
        hidden = core.hidden.effects(sides.table(names, everyone), sides.table(names, nobody))
        out[:, [_PLACE[PLAYERS[c][0]] for c in names]] += hidden
    if core.forest is not None:
        players, effects = _forest(core, sides)
        out[:, [_PLACE[p] for p in players]] += effects
    return out


def _level_games(core: Core) -> dict[tuple[str, ...], list[int]]:
    """Players → the level blocks that depend on just them; blocks that no pair can differ in are left out."""
    games: dict[tuple[str, ...], list[int]] = {}
    for at in core.backbone.places(LEVEL):
        players = players_of(core.backbone.blocks[at].columns)
        if players:
            games.setdefault(players, []).append(at)
    return games


def _level(core: Core, sides: Sides, players: tuple[str, ...], places: Sequence[int]) -> Floats:
    names = tuple(dict.fromkeys(c for at in places for c in core.backbone.blocks[at].columns))
    corners = []
    for corner in range(1 << len(players)):
        moved = frozenset(p for bit, p in enumerate(players) if corner >> bit & 1)
        corners.append(core.backbone.sums(places, sides.table(names, moved)))
    return corner_game(np.stack(corners, axis=1))


def _losses(core: Core, sides: Sides) -> tuple[tuple[str, ...], Floats]:
    """Players and their effects through −T(Σ scale · loss)."""
    backbone = core.backbone
    fields, families = _loss_fields(core)
    switches = players_of([c for f in backbone.families for c in _scale_columns(core, f)])
    everyone, nobody = frozenset(PLAYERS[c][0] for c in fields), frozenset[str]()
    sides_of = []
    for moved in (everyone, nobody):
        own = [backbone.sums(_loss_places(core, families[c], c), sides.table([c], moved)) for c in fields]
        sides_of.append(np.stack(own, axis=1) if own else np.zeros((len(sides.subjects), 0)))
    scales = np.stack(
        [
            _scales(core, sides, _state(switches, q), [families[c] for c in fields])
            for q in range(1 << len(switches))
        ],
        axis=1,
    )
    subject, reference = (-scales * loss[:, None, :] for loss in sides_of)
    players = (*(PLAYERS[c][0] for c in fields), *switches)
    if math.isinf(backbone.cap):
        return players, np.concatenate(switched_sum(subject, reference), axis=1)
    factors = (np.exp(subject / backbone.cap), np.exp(reference / backbone.cap))
    return players, backbone.cap * np.concatenate(switched_product(*factors), axis=1)


def _loss_fields(core: Core) -> tuple[tuple[str, ...], dict[str, str]]:
    """The columns that have a loss, in the order of the blocks, and each one's family."""
    families: dict[str, str] = {}
    for block in core.backbone.blocks:
        role, _, family = block.role.partition(":")
        if role == "loss":
            families[block.columns[0]] = family
    return tuple(families), families


def _loss_places(core: Core, family: str, column: str) -> list[int]:
    return [
        at for at in core.backbone.places(f"loss:{family}") if core.backbone.blocks[at].columns == (column,)
    ]


def _scale_columns(core: Core, family: str) -> tuple[str, ...]:
    places = core.backbone.places(f"scale:{family}")
    return tuple(dict.fromkeys(c for at in places for c in core.backbone.blocks[at].columns))


def _scales(core: Core, sides: Sides, moved: frozenset[str], families: Sequence[str]) -> Floats:
    """(n, fields) the scale of each field's family where these switches are the subject's."""
    by_family = {}
    for family in dict.fromkeys(families):
        # Without any block the scale is 1; some column is needed to know how many rows there are.
        names = _scale_columns(core, family) or ("build",)
        by_family[family] = core.backbone.scale(family, sides.table(names, moved))
    n = len(sides.subjects)
    return np.stack([by_family[f] for f in families], axis=1) if families else np.zeros((n, 0))


def _state(switches: Sequence[str], q: int) -> frozenset[str]:
    return frozenset(s for bit, s in enumerate(switches) if q >> bit & 1)


def _forest(core: Core, sides: Sides) -> tuple[tuple[str, ...], Floats]:
    """Players and their effects through the forest; factors that share a column are its switches."""
    names = {block.name: block.columns for block in core.backbone.blocks}
    columns = [
        tuple(dict.fromkeys(c for b in i.blocks for c in names.get(b, ()))) or (i.column,)
        for i in core.inputs
    ]
    sets = [players_of(c) for c in columns]
    shared = {p for s in sets if len(s) > 1 for p in s}
    switches = tuple(p for p in FACTORS if p in shared)
    own = tuple(p for p in FACTORS if any(p in s for s in sets) and p not in shared)
    nobody = len(own)  # the player of columns that only switches move
    players = np.array([own.index(s[0]) if s and s[0] in own else nobody for s in sets])
    x, r = (
        np.stack(
            [
                _forest_rows(core, sides, columns, _state(switches, q) | side)
                for q in range(1 << len(switches))
            ],
            axis=1,
        )
        for side in (frozenset(own), frozenset[str]())
    )
    assert core.forest is not None
    of_players, of_switches = core.forest.switched_contributions(x, r, players, nobody + 1)
    return (*own, *switches), np.concatenate([of_players[:, :nobody], of_switches], axis=1)


def _forest_rows(
    core: Core, sides: Sides, columns: Sequence[tuple[str, ...]], moved: frozenset[str]
) -> Floats:
    rows = [
        i.values(core.backbone, sides.table(names, moved))
        for i, names in zip(core.inputs, columns, strict=True)
    ]
    return np.stack(rows, axis=1)
