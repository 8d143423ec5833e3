"""Describe the fields of the form, from the vocabulary, the catalogue and the texts of a language.

The templates show them, and `service.form.reading` reads what comes back: nothing else knows a field.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice

from babel.numbers import format_decimal

from models.costs import LONGEST_EMAIL, LONGEST_MESSAGE, LONGEST_NAME, LONGEST_PHONE, MOST_OFFERED
from models.domain.catalogue import Catalogue
from models.domain.vocabulary import BY_PATH, FIELDS, GROUPS, MAX_TEXT, PARTS, Field, Kind
from service.api.photographs.schemas import VIEWS
from service.api.requests.bodies.schemas import PURPOSES
from service.api.vocabulary.instrument import REQUIRED
from service.languages.reader import text, texts

Words = Callable[..., str]
_NAMES = ("maker", "model", "edition", "finish")
_NUMBERS = {Kind.INTEGER: "whole", Kind.NUMBER: "decimal"}
_LONGEST_NUMBER = 20
_SEVERAL = ("serial", "parts", "case", "other")  # views of which one request often has several photographs
FOLDED = ("originality", "provenance")


@dataclass(frozen=True)
class Choice:
    """One answer to choose. `drawing`: a file of ours that shows it; `shows`: in words."""

    value: str
    label: str
    drawing: str = ""
    shows: str = ""


@dataclass(frozen=True)
class FormField:
    """One question of the form. `name`: where its answer belongs in the body of the API, by dots.

    `kind`: the control that asks it: names, text, menu, tiles, words, area or check. `type`: how its answer
    is read. `wrong`: what is said beside it when its answer is refused.
    """

    name: str
    kind: str
    type: str
    label: str
    help: str = ""
    wrong: str = ""
    choices: tuple[Choice, ...] = ()
    required: bool = False
    blank: str = ""
    input: str = "text"
    inputmode: str = ""
    autocomplete: str = "off"
    longest: int = MAX_TEXT

    @property
    def id(self) -> str:
        """The id of its control in the page."""
        return "f-" + self.name.replace(".", "-")


@dataclass(frozen=True)
class Section:
    """Some questions under one heading. `folded`: they are shown when the heading is opened."""

    name: str
    fields: tuple[FormField, ...]
    title: str
    lead: str

    @property
    def folded(self) -> bool:
        """Say whether few owners can answer these."""
        return self.name in FOLDED


@dataclass(frozen=True)
class View:
    """One view that a photograph can show."""

    name: str
    label: str
    help: str

    @property
    def id(self) -> str:
        """The id of its control in the page."""
        return f"f-photograph-{self.name}"

    @property
    def several(self) -> bool:
        """Say whether several photographs of it are usual."""
        return self.name in _SEVERAL


@cache
def sections(language: str, currencies: tuple[str, ...]) -> tuple[Section, ...]:
    """Return the form's questions, without names of the catalogue (`with_names` adds those)."""
    t = partial(text, language)
    by_group: dict[str, list[FormField]] = {"": [], **{group: [] for group in GROUPS}}
    for field in FIELDS:
        by_group[field.path.rpartition(".")[0]].append(of_instrument(field.path, language))
    named = {"instrument" if group == "" else group: fields for group, fields in by_group.items()}
    named |= {"about": list(_about(t, currencies)), "contact": list(_contact(t))}
    return tuple(
        Section(name, tuple(fields), t(f"form.{name}"), _lead(name, language))
        for name, fields in named.items()
    )


def _lead(name: str, language: str) -> str:
    return texts(language).get(f"form.{name}_lead", "")


@cache
def of_instrument(path: str, language: str) -> FormField:
    """Return the question for this field of an instrument."""
    field, t = BY_PATH[path], partial(text, language)
    made = FormField(
        f"instrument.{path}",
        "text",
        "text",
        _said(language, "fields." + path + ".label", field.label),
        _said(language, "fields." + path + ".help", field.meaning),
        t("faults.other"),
        required=path in REQUIRED,
    )
    if path in _NAMES:
        blank = t("form.type_or_pick") if made.required else t("form.unknown")
        return replace(made, kind="names", blank=blank, wrong=t("faults.name"))
    if field.kind in _NUMBERS:
        return _number(made, field, language)
    if field.kind is Kind.GRADE:
        return replace(made, kind="tiles", type="grade", choices=_grades(field, t), wrong=t("faults.choice"))
    if field.kind is Kind.FLAG:
        choices = (_unknown(t), Choice("yes", t("form.yes")), Choice("no", t("form.no")))
        return replace(made, kind="menu", type="flag", choices=choices, wrong=t("faults.choice"))
    if field.kind is Kind.TERM:
        return replace(made, kind="menu", choices=_terms(field, language), wrong=t("faults.choice"))
    return made


def _number(made: FormField, field: Field, language: str) -> FormField:
    kind = _NUMBERS[field.kind]
    low, high = (_written(bound, field, language) for bound in (field.low, field.high))
    wrong = text(language, f"faults.{kind}", low=low, high=high)
    mode = "numeric" if kind == "whole" else "decimal"
    return replace(made, type=kind, inputmode=mode, wrong=wrong, longest=_LONGEST_NUMBER)


def _written(bound: float | None, field: Field, language: str) -> str:
    """Return a bound as the language writes it; a year has no mark between its thousands."""
    return format_decimal(bound or 0, locale=language, group_separator=field.path != "year")


def _unknown(t: Words) -> Choice:
    return Choice("", t("form.unknown"))


def _grades(field: Field, t: Words) -> tuple[Choice, ...]:
    scale = "wear" if field.loss_ordered else "figure"
    found = [_unknown(t)]
    for name in field.names:
        label, shows = t(f"grades.{scale}.{name}"), t(f"grades.{scale}_alt.{name}")
        found.append(Choice(name, label, f"{scale}-{name}.svg", shows))
    return tuple(found)


def _terms(field: Field, language: str) -> tuple[Choice, ...]:
    name = "part" if field in PARTS else field.path.rpartition(".")[2]
    labels = ((one.name, _said(language, f"terms.{name}.{one.name}", one.meaning)) for one in field.terms)
    return (_unknown(partial(text, language)), *(Choice(*label) for label in labels))


def _said(language: str, name: str, otherwise: str) -> str:
    """Return this text; of a field that no text is written for yet, what the vocabulary says."""
    return texts(language).get(name) or otherwise[:1].upper() + otherwise[1:]


def _about(t: Words, currencies: Sequence[str]) -> Iterator[FormField]:
    purposes = tuple(Choice(one, t(f"purposes.{one}")) for one in ("curiosity", *PURPOSES[:-1]))
    yield FormField("purpose", "words", "text", t("purposes.label"), "", t("faults.choice"), purposes)
    yield FormField(
        "asked.amount",
        "text",
        "amount",
        t("form.asked"),
        t("form.asked_help"),
        t("faults.amount"),
        inputmode="decimal",
        longest=_LONGEST_NUMBER,
    )
    codes = tuple(Choice(code, code) for code in currencies)
    yield FormField("asked.currency", "menu", "text", t("form.asked_currency"), "", t("faults.choice"), codes)
    about = (t("form.message"), t("form.message_help"), t("faults.long"))
    yield FormField("message", "area", "text", *about, longest=LONGEST_MESSAGE)


def _contact(t: Words) -> Iterator[FormField]:
    for name, required, kind, hint, wrong, longest in (
        ("name", True, "text", "", "faults.long", LONGEST_NAME),
        ("email", True, "email", "", "faults.email", LONGEST_EMAIL),
        ("phone", False, "tel", t("form.phone_help"), "faults.long", LONGEST_PHONE),
    ):
        yield FormField(
            f"contact.{name}",
            "text",
            "text",
            t(f"form.{name}"),
            hint,
            t(wrong),
            required=required,
            input=kind,
            autocomplete=kind if name != "name" else "name",
            longest=longest,
        )


def consent_field(language: str) -> FormField:
    """Return the question for the owner's consent."""
    return FormField(
        "consent", "check", "check", "", "", text(language, "form.consent_needed"), required=True
    )


def with_names(section: Section, catalogue: Catalogue, language: str, email: str | None) -> Section:
    """Return the questions with the names of makers and models to choose; a script adds the others.

    `email`: where the specialist can be reached, which whoever finds no name is told; None: not known.
    """
    t = partial(text, language)
    step = t("faults.name_write", email=email) if email else t("faults.name_ask")
    wrong = f"{t('faults.name')} {step}"
    makers = tuple(Choice(name, "") for name in catalogue.makers)
    models = (model for name in catalogue.makers for model in catalogue.of_maker(name))
    choices = {
        "instrument.maker": makers,
        "instrument.model": tuple(Choice(one.name, one.maker) for one in islice(models, MOST_OFFERED)),
    }
    found = (
        replace(field, choices=choices[field.name], wrong=wrong) if field.name in choices else field
        for field in section.fields
    )
    return replace(section, fields=tuple(found))


@cache
def views(language: str) -> tuple[View, ...]:
    """Return the views of photographs."""
    t = partial(text, language)
    return tuple(View(name, t(f"views.{name}"), t(f"view_help.{name}")) for name in VIEWS)


def by_name(wanted: Sequence[Section]) -> Mapping[str, FormField]:
    """Return all questions by name."""
    return {field.name: field for section in wanted for field in section.fields}
