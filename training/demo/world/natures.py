"""Price parameters of the demo markets: costs and gains that all share, and natures in which they differ."""

import math
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Nature:
    """The price parameters in which one demo market differs from another, in log unless said otherwise."""

    name: str
    prototype: float  # gain of a clean prototype over a production instrument
    slope_spread: float = 0.0  # how much the effects of wear, refinish and figure differ between models
    proto_relief: float = 0.0  # share of the cost of wear that a prototype is spared
    # How much more a refinish costs, as a share, per standard deviation of the model's level.
    dear_refinish: float = 0.0
    figure_by_finish: float = 0.0  # how much more figure is worth, as a share, under a finish that shows it
    known_part: float = 0.0  # share of an edition's premium that is lost with the part that identifies it
    saturation: float = math.inf  # where the sum of condition and originality penalties levels off
    floor: float = 0.0  # share of the model's price below which no specimen falls; 0: none
    slips: float = 0.0  # share of the sales whose record went wrong unnoticed
    storied_rarity: float = 0.0  # how much more history is worth on the rarest of editions, as a share
    dealer_clean: float = 0.0  # premium at a dealer's for a specimen without a fault
    semi_relief: float = 0.0  # share of the cost of wear of top and back that a semi-hollow body is spared
    early_parts: float = 0.0  # how much more changed parts cost in the first year of a run, as a share
    wear: float = 1.0  # share of the usual cost of wear; below 0 wear is liked
    refinish: float = 1.0  # share of the usual cost of a refinish


# Common practice: a prototype is worth 2.5–4 ordinary specimens.
_PROTOTYPE = math.log(3.2)

NATURES: Mapping[str, Nature] = {
    n.name: n
    for n in (
        Nature("house", _PROTOTYPE, 0.12, 0.10, 0.04, 0.15, 0.5, slips=0.003),
        Nature("additive", _PROTOTYPE),
        Nature("entangled", _PROTOTYPE, 0.3, 0.45, 0.18, 0.6, 0.7, 1.1, 0.3),
        Nature("woven", _PROTOTYPE, storied_rarity=0.8, dealer_clean=0.10, semi_relief=0.6, early_parts=0.5),
        # The interactions of "entangled" and "woven" together, some twice as strong: a sum of one effect per
        # field describes this market badly.
        Nature("knotted", _PROTOTYPE, 0.3, 0.45, 0.36, 1.2, 1.0, 1.1, 0.3, 0.0, 1.6, 0.20, 1.0, 0.8),
        # Against common practice: prototypes are worth less, refinishes are harmless, wear is liked a little.
        Nature("contrary", math.log(0.6), wear=-0.15, refinish=0.0),
    )
}

# Cost of wear per part, in log. It is multiplied by grade ** WEAR_POWER − 1, which is 0 at grade 1 (traces).
# Common practice: worn all over (about grade 4) is worth 0.5–0.65 of clean.
WEAR_POWER = 1.4
WEAR_COST: Mapping[str, float] = {
    "condition_top": 0.025,
    "condition_back": 0.010,
    "condition_neck": 0.031,
    "condition_headstock": 0.011,
    "condition_frets": 0.012,
    "condition_hardware": 0.011,
}

# Cost of each term in the vocabulary's order, in log. Common practice: a refinished instrument is worth
# 0.5–0.6 of a clean one, a repaired headstock leaves 0.5–0.65, and a modern part costs a few per cent,
# pickups more.
CONDITION_COST: Mapping[str, tuple[float, ...]] = {
    "condition_electronics": (0.0, 0.06, 0.16),
    "condition_structure": (0.0, 0.12, 0.24, 0.55, 0.85),
}
ORIGINALITY_COST: Mapping[str, tuple[float, ...]] = {
    "originality_finish": (0.0, 0.27, 0.60),
    "originality_pickups": (0.0, 0.04, 0.11, 0.20),
    "originality_wiring": (0.0, 0.01, 0.03, 0.06),
    "originality_tuners": (0.0, 0.015, 0.04, 0.09),
    "originality_bridge": (0.0, 0.015, 0.045, 0.10),
    "originality_tailpiece": (0.0, 0.015, 0.04, 0.09),
    "originality_nut": (0.0, 0.004, 0.012, 0.02),
    "originality_pickguard": (0.0, 0.01, 0.03, 0.06),
    "originality_frets": (0.0, 0.05),
    "originality_routing": (0.0, 0.12, 0.20),
}
PROVENANCE_GAIN: Mapping[str, tuple[float, ...]] = {
    "provenance_history": (0.0, 0.05, 0.10, 0.45),
    "provenance_paperwork": (0.0, 0.06),
    "provenance_case": (0.0, -0.02, -0.05, -0.08),
}

CUSTOM_ORDER = 0.10
# A choice specimen (figure 5, a first number) is worth up to 1.5–2 ordinary ones (common practice).
FIGURE_GAIN = (-0.10, -0.05, 0.0, 0.07, 0.17, 0.32)
LOW_NUMBER = 0.26
WEIGHT_PER_KG = -0.05
CHANNEL_LEVEL: Mapping[str, float] = {"private": 0.0, "dealer": 0.10, "auction": -0.05, "online": 0.02}
CHANNEL_NOISE: Mapping[str, float] = {"private": 1.0, "dealer": 0.85, "auction": 1.25, "online": 1.05}
