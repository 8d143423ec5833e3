"""The recipe "A new field" of DEVELOPERS.md as edits of text, for four invented fields, one of each sort.

The steps have the recipe's numbers and files. The document, the expected figures of other tests and the
examples (steps 6 to 8) are not among them: nothing is read, fitted or valued by those.
"""

from __future__ import annotations

from checks.recipe_steps import LIGHT, NewField, rules, step

VOCABULARY, INSTRUMENT = "models/domain/vocabulary.py", "models/domain/instrument.py"
QUESTIONS, SENTENCES = "models/insights/questions.py", "models/insights/sentences.py"
PRACTICE, UNSAID = "models/practice/practice.toml", "models/valuation/unsaid.py"
FEATURES, ENCODING = "models/price/instruments/features.py", "models/price/instruments/encoding.py"
REFERENCE, TERMS = "models/price/instruments/reference.py", "training/fit/design/terms.py"
TYPICAL, RECIPES = "training/fit/design/typical.py", "training/fit/design/recipes.py"
FIT_PRACTICE = "training/fit/practice.py"
NATURES, TRUTH = "training/demo/world/natures.py", "training/demo/world/truth.py"
SPECIMENS, RECORDS = "training/demo/world/specimens.py", "training/demo/trade/records.py"
FACTS = "tests/training/test_field_facts.py"

NUT = NewField(
    "condition.nut",
    "condition",
    {0.0: 0.0, 1.0: -0.08, 3.0: -0.24, 5.0: -0.4},
    1.0,
    ("Nut wear: none", "worn through (typical: traces)"),
    "a photograph of the nut and its slots, close",
    (
        step(1, VOCABULARY, '    _wear("frets", "fret"),\n', '    _wear("nut", "nut"),\n'),
        step(
            2,
            INSTRUMENT,
            "    condition_frets: float | None = None\n",
            "    condition_nut: float | None = None\n",
        ),
        step(
            3,
            QUESTIONS,
            'first five frets",\n',
            '    "condition.nut": "a photograph of the nut and its slots, close",\n',
        ),
        step(4, PRACTICE, LIGHT, rules("condition_nut", 1, (4, 0.97))),
        step(5, NATURES, '    "condition_frets": 0.012,\n', '    "condition_nut": 0.004,\n'),
        step(7, FACTS, '_ENDED_BY_PARTS = ("condition.frets"', ', "condition.nut"'),
    ),
)

STRAP_BUTTONS = NewField(
    "originality.strap_buttons",
    "originality",
    {"original": 0.0, "period": -0.08, "modern": -0.2, "missing": -0.35},
    "original",
    ("Strap buttons: period-correct (typical: original)", "missing"),
    "photographs of both ends of the body, close",
    (
        step(
            1,
            VOCABULARY,
            '    _part("pickguard", "pickguard"),\n',
            '    _part("strap_buttons", "strap buttons"),\n',
        ),
        step(
            2,
            INSTRUMENT,
            "    originality_pickguard: str | None = None\n",
            "    originality_strap_buttons: str | None = None\n",
        ),
        step(
            3,
            QUESTIONS,
            'screw holes around them",\n',
            '    "originality.strap_buttons": "photographs of both ends of the body, close",\n',
        ),
        step(
            4,
            PRACTICE,
            LIGHT,
            rules(
                "originality_strap_buttons", "original", ("period", 0.98), ("modern", 0.97), ("missing", 0.95)
            ),
        ),
        step(
            5,
            NATURES,
            '    "originality_pickguard": (0.0, 0.01, 0.03, 0.06),\n',
            '    "originality_strap_buttons": (0.0, 0.005, 0.01, 0.03),\n',
        ),
        step(
            13, SPECIMENS, '    "originality_pickguard": 0.17,\n', '    "originality_strap_buttons": 0.2,\n'
        ),
    ),
)

NECK_DEPTH = NewField(
    "neck_depth_mm",
    "identity",
    {19.0: 0.12, 21.0: 0.0, 23.0: -0.12, 25.0: -0.24},
    21.0,
    ("Neck depth: 25 mm (typical: 21 mm)",),
    "measure it at the first fret with a caliper",
    (
        step(
            1,
            VOCABULARY,
            '"weight in kilograms", (), 0.5, 20),\n',
            '    Field("neck_depth_mm", Kind.NUMBER, Family.IDENTITY, "neck depth", "in mm", (), 10, 40),\n',
        ),
        step(
            2, INSTRUMENT, "    weight_kg: float | None = None\n", "    neck_depth_mm: float | None = None\n"
        ),
        step(
            3,
            QUESTIONS,
            '    "weight_kg": "weigh it without its case",\n',
            '    "neck_depth_mm": "measure it at the first fret with a caliper",\n',
        ),
        step(
            9,
            SENTENCES,
            '        return f"{float(value):.2f} kg"\n',
            '    if path == "neck_depth_mm":\n        return f"{value:g} mm"\n',
        ),
        step(
            9,
            UNSAID,
            'TYPICAL = ("year", "finish", "edition_number", "figure", "weight_kg"',
            ', "neck_depth_mm"',
        ),
        step(4, PRACTICE, LIGHT, rules("neck_depth_mm", 21, (25, 0.92))),
        step(11, FIT_PRACTICE, "_TYPICAL = Typical(_YEAR, _FINISH, _USUAL_FIGURE, _USUAL_WEIGHT", ", 21.0"),
        step(5, NATURES, "WEIGHT_PER_KG = -0.05\n", "USUAL_NECK_DEPTH, NECK_DEPTH_PER_MM = 21.0, -0.01\n"),
        step(
            13,
            SPECIMENS,
            '    c["weight_kg"] = np.round(weight, 2)\n',
            '    c["neck_depth_mm"] = np.round(rng.normal(21.0, 1.0, n), 1)\n',
        ),
        step(
            13,
            TRUTH,
            "    LOW_NUMBER,\n",
            "    NECK_DEPTH_PER_MM,\n",
            "    PROVENANCE_GAIN,\n",
            "    USUAL_NECK_DEPTH,\n",
            '        c["weight_kg"] = self._per_model("weight_kg")[model]\n',
            '        c["neck_depth_mm"] = zero + USUAL_NECK_DEPTH\n',
            '        weight = WEIGHT_PER_KG * (c["weight_kg"] - self._per_model("weight_kg")[m])\n',
            '        weight += NECK_DEPTH_PER_MM * (c["neck_depth_mm"] - USUAL_NECK_DEPTH)\n',
        ),
        step(13, RECORDS, '    "weight_kg": 0.55,\n', '    "neck_depth_mm": 0.6,\n'),
        step(
            10,
            FEATURES,
            '    "weight_blank": "weight_kg",\n',
            '    "neck_depth_blank": "neck_depth_mm",\n',
            '    "weight": ((*_MODEL, "weight_kg"), partial(_number, flat="weight_kg")),\n',
            '    "neck_depth": ((*_MODEL, "neck_depth_mm"), partial(_number, flat="neck_depth_mm")),\n',
        ),
        step(12, ENCODING, 'frozenset({"time", "weight"', ', "neck_depth"'),
        step(
            11,
            REFERENCE,
            "    weight_kg: float | None\n",
            "    neck_depth_mm: float | None\n",
            '("year", "finish", "figure", "weight_kg"',
            ', "neck_depth_mm"',
        ),
        step(
            11,
            TYPICAL,
            "    weights = [s.weight_kg for s in specimens if s.weight_kg is not None]\n",
            "    depths = [s.neck_depth_mm for s in specimens if s.neck_depth_mm is not None]\n",
            "        weight_kg=median_low(weights) if weights else None,\n",
            "        neck_depth_mm=median_low(depths) if depths else None,\n",
        ),
        step(12, RECIPES, '    "weight": "weight_blank",\n', '    "neck_depth": "neck_depth_blank",\n'),
        step(
            12,
            TERMS,
            '        BackboneTerm("weight", (linear("weight"),)),\n',
            '        BackboneTerm("neck depth", (linear("neck_depth"),)),\n',
        ),
    ),
)

EXHIBITION = NewField(
    "provenance.exhibition",
    "provenance",
    {"none": 0.0, "shown": 0.15, "catalogued": 0.35},
    "none",
    ("Exhibition: once shown (typical: never shown)", "in a catalogue"),
    "the page of the catalogue that shows it",
    (
        step(
            1,
            VOCABULARY,
            '        "whether receipts, tags or certificates of the period are with it",\n    ),\n',
            """    Field(
        "provenance.exhibition",
        Kind.TERM,
        Family.PROVENANCE,
        "exhibition",
        "whether it was exhibited",
        (Term("none", "never"), Term("shown", "shown"), Term("catalogued", "shown, and in the catalogue")),
    ),
""",
        ),
        step(
            2,
            INSTRUMENT,
            "    provenance_paperwork: bool | None = None\n",
            "    provenance_exhibition: str | None = None\n",
        ),
        step(
            3,
            QUESTIONS,
            '"photographs of receipts, tags and certificates",\n',
            '    "provenance.exhibition": "the page of the catalogue that shows it",\n',
        ),
        step(
            9,
            SENTENCES,
            '    "originality.frets": {"original": "original", "refretted": "replaced"},\n',
            '    "provenance.exhibition": '
            '{"none": "never shown", "shown": "once shown", "catalogued": "in a catalogue"},\n',
        ),
        step(
            9, UNSAID, 'AS_NONE = ("provenance.history", "provenance.paperwork"', ', "provenance.exhibition"'
        ),
        step(
            4,
            PRACTICE,
            LIGHT,
            rules("provenance_exhibition", "none", ("shown", 1.01), ("catalogued", 1.05)),
        ),
        step(
            5,
            NATURES,
            '    "provenance_paperwork": (0.0, 0.06),\n',
            '    "provenance_exhibition": (0.0, 0.03, 0.1),\n',
        ),
        step(
            13,
            SPECIMENS,
            '    c["provenance_case"] = rng.choice(4, n, p=(0.50, 0.10, 0.26, 0.14))\n',
            '    c["provenance_exhibition"] = rng.choice(3, n, p=(0.9, 0.06, 0.04))\n',
        ),
        step(13, RECORDS, '    "provenance_paperwork": 0.28,\n', '    "provenance_exhibition": 0.28,\n'),
        step(
            10,
            FEATURES,
            '    "paperwork_blank": "provenance_paperwork",\n',
            '    "exhibition_blank": "provenance_exhibition",\n',
            '    "history": (("provenance.history",), partial(_level, flat="provenance_history")),\n',
            '    "exhibition": '
            '(("provenance.exhibition",), partial(_level, flat="provenance_exhibition")),\n',
        ),
        step(11, REFERENCE, '    "provenance_paperwork": False,\n', '    "provenance_exhibition": "none",\n'),
        step(12, TERMS, 'for name in ("history", "paperwork"', ', "exhibition"'),
    ),
)

NEW_FIELDS = (NUT, STRAP_BUTTONS, NECK_DEPTH, EXHIBITION)
