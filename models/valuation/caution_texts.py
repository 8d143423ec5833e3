"""A caution, and the codes and texts of all of them.

Texts on law describe it as of the day `AS_OF`; only authorities and licensed advisers can say what holds.
"""

from dataclasses import dataclass
from datetime import date

AS_OF = date(2026, 11, 1)


@dataclass(frozen=True)
class Caution:
    """One thing to know before relying on the value. `field`: path of the field concerned, None for no field.

    `as_of`: the day on which the text's summary of law and practice was right.
    """

    code: str
    text: str
    field: str | None = None
    as_of: date = AS_OF


# Code → text. Every text names the person or authority that decides the matter.
WORDING = {
    "estimate_not_appraisal": (
        "A statistical estimate from the evidence given; not an authentication and not a qualified or "
        "certified appraisal. For tax, insurance claims, estates, customs or litigation a licensed or "
        "qualified appraiser may be required to inspect the instrument. What the law asks for differs by "
        "place and changes: ask the authority."
    ),
    "seller_receives_less": (
        "The value is what a buyer pays, and no offer to buy. A seller receives less: a commission, fees or "
        "a dealer's margin come off. The dealer, auction house or website decides how much: ask for "
        "its terms."
    ),
    "protected_materials": (
        "It may contain protected materials (Brazilian and other rosewoods, ivory, tortoiseshell, shell, "
        "whalebone), whatever its age: selling it or carrying it across a border can need permits, and some "
        "countries ban such sales at home too. Law changes; ask the authority of each country."
    ),
    "check_serial_and_title": (
        "Serial numbers and labels can be altered: check that the seller owns it, and check the registers of "
        "stolen instruments, before paying. Law on stolen goods differs by country and changes; ask the "
        "police or the register's keeper."
    ),
    "shipping": (
        "Before shipping, pack it so that neither neck nor body can move, and insure it for its value. On "
        "arrival let the closed case reach room temperature before opening it. The carrier and the customs "
        "authority decide what may be sent and how: their rules change, ask them first."
    ),
    "old_materials_in_repair": (
        "Old lacquer and celluloid burn easily, and decaying celluloid gives off fumes that corrode metal. "
        "Old solder and pigments can hold lead: keep children away and wash hands. Old capacitors can fail "
        "or hold harmful oil. Sanding and spraying need a mask, extraction and no flames. Leave such work to "
        "a trained person. Rules on such materials change; ask the safety authority."
    ),
    "do_not_clean_first": (
        "Do not clean, polish, oil or refinish it before a valuation: what is removed cannot be put back. "
        "Solvents, polish, oil, tape and the rubber or vinyl of stands and straps can harm an old finish. "
        "Let a qualified repairer decide what is safe."
    ),
    "do_not_dismantle": (
        "Do not unscrew or unsolder anything to find out what is not known: ask a qualified repairer, or "
        "leave it blank."
    ),
    "electronics_untested": (
        "A two-coil pickup with one dead coil can sound almost normal; have a qualified technician test "
        "every coil and switch."
    ),
    "mains_amplifier": (
        "Test the electronics only with a sound, earthed amplifier. Never open an amplifier: it holds a "
        "dangerous charge even after it is unplugged. A qualified technician decides whether it is safe."
    ),
    "accessories_counterfeited": (
        "Cases, tags and certificates of a known edition are often counterfeited: have a qualified appraiser "
        "examine them."
    ),
    "edition_part_changed": (
        "A part is not original: where it is the part this edition is known by, many collectors no longer "
        "pay the edition's premium. A qualified appraiser can say which part that is."
    ),
    "no_direct_sale": (
        "No sale of this model, edition and build stands behind the value: it is estimated from sales of "
        "similar instruments. A qualified appraiser can say how similar they are."
    ),
    "missing_pickups_cannot_work": (
        "The pickups are given as missing and the electronics as working: one of the two is wrong. Have a "
        "qualified technician check both."
    ),
    "year_after_value_date": (
        "The year of manufacture is after the day of the value: one of the two is wrong. A qualified "
        "appraiser can date the instrument."
    ),
    "claims_need_documents": (
        "A tenth of the value or more rests on details that only documents can prove: an explained answer "
        "lists them as claims, each with its amount and what would prove it. Without proof a buyer pays "
        "less. A qualified appraiser decides whether the proof holds."
    ),
    "value_date_after_evidence": (
        "The day of the value is more than 31 days after the last evidence: the price trend is continued for "
        "at most a year, then kept level; the range widens with the distance. A qualified appraiser can say "
        "what has happened since."
    ),
    "value_date_before_evidence": (
        "The day of the value is before the first evidence: no price of that time stands behind it. Ask a "
        "qualified appraiser about prices of that time."
    ),
    "provisional_price_model": (
        "The price model behind this value is provisional: it has not yet shown on enough later sales that "
        "its values and ranges hold. Take the value as a first estimate; a qualified appraiser can "
        "confirm it."
    ),
    "rate_older_than_value": (
        "The exchange rate is more than 7 days older than the day of the value: what the currency did in "
        "between is not in the amounts. The authority that the value is for decides which day's rate counts."
    ),
}

# Every code that a caution of a value can have, with the meaning that web forms and documents print.
CODES = {
    "year_outside_production": (
        "The year is outside the recorded years of the model: it was valued as one of the nearest of them."
    ),
    "finish_not_offered": "The finish is not among those recorded for the model: it was valued as not known.",
    "figure_not_offered": "No figured tops are recorded for the model: it was valued as a plain top.",
    "edition_not_recorded": "The edition is not among those recorded for the model.",
    "edition_not_numbered": "It bears a number, but the edition is not recorded as numbered.",
    "edition_number_above_total": "Its number is above the recorded total of the edition.",
    "year_outside_edition": "The year is outside the recorded years of the edition.",
    "placeholder_not_known": "A text such as “unknown” stood in place of a value: it was read as not known.",
    "edition_word_means_none": "A word such as “standard” stood in place of an edition: it was read as none.",
    **WORDING,
    "watchpoint": "What a careful buyer checks on this model.",
}

# Codes and texts of cautions about comparable sales, earlier records of the instrument, and offers for it.
BESIDE = {
    "comparables_disagree": (
        "The adjusted comparable sales and the model disagree by more than the model's 50% range: rely on "
        "neither before a qualified appraiser has looked at both."
    ),
    "earlier_record": (
        "The evidence holds earlier records of this instrument: compare the value with them. A qualified "
        "appraiser can say what explains a difference."
    ),
    "changed_since_record": (
        "A part is given as other than an earlier record of this instrument has it. A qualified appraiser "
        "can say which is true."
    ),
    "offer_on_description": (
        "The offer rests on the description. See it before paying, or agree that it can go back. A qualified "
        "repairer can say what the description leaves out; a qualified appraiser, whether it is authentic."
    ),
    "offer_without_title": (
        "Nothing here shows who owns it: check title and theft registers before paying. Law on stolen goods "
        "differs by country and changes; ask the police or the register's keeper."
    ),
    "offer_market_level": (
        "The market is taken to stay level until the resale, which nobody can know; only the range widens "
        "with the months. A qualified appraiser can say where prices are going."
    ),
    "portfolio_not_one_sale": (
        "The total is what buyers would pay for the items one by one. Whoever sells all of them at once, or "
        "in a hurry, gets less. A qualified appraiser can say what a sale of the whole would bring."
    ),
    "portfolio_after_evidence": (
        "The day of the total is more than 31 days after the last evidence: what the market did since is not "
        "known, and the range widens for all items alike. A qualified appraiser can say what has happened."
    ),
    "market_history_short": (
        "The market was seen over only a few spans as long as the horizon, so that the value at risk is "
        "rough. A qualified appraiser can say what else to allow for."
    ),
    "market_history_too_short": (
        "The evidence covers less than two spans as long as the horizon: nothing is said of the value at "
        "risk. Ask for a shorter horizon; a qualified appraiser can say more."
    ),
}
