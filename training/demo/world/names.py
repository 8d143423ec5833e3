"""The names of the demo market, all invented, and the facts of each model that are the same for any seed."""

from dataclasses import dataclass


@dataclass(frozen=True)
class NamedEdition:
    """An edition by name; a `marked` one carries a commemorative mark that holds its price back."""

    name: str
    numbered: bool = False
    marked: bool = False


@dataclass(frozen=True)
class NamedModel:
    """A model by name, its body and whether its maker used figured tops on it."""

    name: str
    body: str
    figured: bool
    editions: tuple[NamedEdition, ...] = ()


@dataclass(frozen=True)
class NamedMaker:
    """A workshop, the letters its serial numbers begin with, its finishes and its models."""

    name: str
    letters: str
    finishes: tuple[str, ...]
    models: tuple[NamedModel, ...]


def _model(name: str, body: str, top: str, *editions: str) -> NamedModel:
    """Make a model. In front of an edition, `#` means numbered and `~` means a commemorative mark."""
    named = tuple(NamedEdition(e.lstrip("#~"), "#" in e[:2], "~" in e[:2]) for e in editions)
    return NamedModel(name, body, top == "figured", named)


def _maker(name: str, letters: str, finishes: tuple[str, ...], *models: NamedModel) -> NamedMaker:
    return NamedMaker(name, letters, finishes, models)


MAKERS: tuple[NamedMaker, ...] = (
    _maker(
        "Quillorne",
        "QL",
        ("Wet Slate", "Kelp Brown", "Lamp Smoke", "Limewash", "Rosehip Fade"),
        _model("Heddle", "solid", "plain", "#First Ferry", "~Harbour Levy"),
        _model("Heddle Major", "solid", "figured", "#Regatta Week"),
        _model("Low Heddle", "solid", "plain"),
        _model("Marramgate", "semi", "figured", "#Nine Lodges", "~Drained Dock"),
        _model("Trundle", "solid", "plain", "Fishwives' Order"),
    ),
    _maker(
        "Ondleby and Daughters",
        "OD",
        ("Gannet Cream", "Peat", "Mussel Shell", "Ember Fade"),
        _model("Sisterly", "hollow", "figured", "#Elder Daughter", "Younger Daughter"),
        _model("Pennyroyal Nine", "semi", "figured", "~Toll Bridge"),
        _model("Candlewick", "solid", "plain", "#Long Winter"),
        _model("Ondle Bass", "solid", "plain"),
    ),
    _maker(
        "Tarvessa",
        "VE",
        ("Anchor Rust", "Tidewrack", "Whey", "Plum Dusk", "Copper Kettle", "Squall"),
        _model("Corbel", "solid", "plain", "#Salt Road", "~Governor's Visit"),
        _model("Corbel Deep", "solid", "figured", "#Salt Road", "Glassblowers' Lodge"),
        _model("Vesper Row", "semi", "figured", "#Evening Packet"),
        _model("Ninepin", "solid", "plain"),
        _model("Lintel", "solid", "plain", "~Second Lighthouse"),
    ),
    _maker(
        "Brackenhythe",
        "BH",
        ("Bracken", "Oat", "Slip Clay", "Heron", "Dusk Fade"),
        _model("Hythe One", "solid", "plain", "#Quayside Hundred"),
        _model("Hythe Two", "solid", "figured", "#Quayside Hundred", "~Ropewalk Closing"),
        _model("Wherryman", "hollow", "figured", "Shell Dance"),
        _model("Copse", "semi", "plain"),
    ),
    _maker(
        "Mirrowen",
        "MW",
        ("Mirror Black", "Flour Dust", "Bilge Green", "Tallow", "Sealing Wax"),
        _model("Anselma", "hollow", "figured", "#Opera Steamer", "#Opera Steamer Gilt"),
        _model("Anselma Petite", "hollow", "figured", "~Treaty Day"),
        _model("Plumbline", "solid", "plain", "Pilots' Supper"),
        _model("Plumbline Bass", "solid", "plain"),
        _model("Quarrel", "solid", "plain", "#Twelve Captains"),
    ),
    _maker(
        "Oskelund",
        "OS",
        ("Birch Tar", "Rime", "Cloudberry", "Net Blue"),
        _model("Torrane", "solid", "figured", "#Ice Breaking", "~Cannery Fifty"),
        _model("Torrane Bass", "solid", "plain"),
        _model("Fennimore", "semi", "figured", "#Midsummer Boats"),
        _model("Skelp", "solid", "plain", "Herring Queen"),
    ),
    _maker(
        "Dunvaire",
        "DV",
        ("Dun", "Lichen", "Barley Fade", "Storm Lantern", "Chalk"),
        _model("Ostler", "solid", "plain", "#Drovers' Hall"),
        _model("Ostler Fine", "solid", "figured", "#Drovers' Hall", "~Census Year"),
        _model("Hurdle", "solid", "plain"),
        _model("Vairelight", "hollow", "figured", "#Bell Founders"),
        _model("Causey", "semi", "plain", "~Causeway Opening"),
    ),
    _maker(
        "Pellowick",
        "PW",
        ("Buoy Orange", "Ferry White", "Engine Room", "Timetable Green"),
        _model("Commuter", "solid", "plain", "~Pier Rebuilding"),
        _model("Commuter Long", "solid", "plain"),
        _model("Saloon Deck", "semi", "figured", "#Winter Timetable"),
        _model("Bulwark", "solid", "plain", "Stokers' Order"),
    ),
    _maker(
        "Caldrisk",
        "CK",
        ("Ash Fall", "Cinder", "Hot Spring", "Sulphur", "Basalt Fade"),
        _model("Fumarole", "solid", "figured", "#Quiet Crater", "~Evacuation"),
        _model("Scoria", "solid", "plain", "#Third Terrace"),
        _model("Steamwright", "semi", "figured", "Bathhouse"),
        _model("Scoria Bass", "solid", "plain"),
    ),
    _maker(
        "Thornquay Cooperative",
        "TC",
        ("Members' Grey", "Hemp", "Blackthorn", "Sloe", "Limpet"),
        _model("Common Share", "solid", "plain", "~Strike Year", "#Founding Members"),
        _model("Dividend", "solid", "figured", "#Founding Members"),
        _model("Assembly", "hollow", "figured", "#Loom Hall"),
        _model("Quorum", "semi", "figured", "Ballot"),
        _model("Quorum Bass", "semi", "plain"),
    ),
)

PARTS_TO_CHECK: tuple[tuple[str, str], ...] = (
    ("pickups", "the winding nearest the bridge fails first; play it with every switch setting"),
    ("headstock", "the grain runs out behind the nut; look for a glue line under the finish"),
    ("bridge", "the casting sinks in the middle; a straight one is a later part"),
    ("neck", "the truss nut was often overtightened; look for a crack beside its cavity"),
    ("tailpiece", "the plated one was only fitted for two years and has been copied since"),
    ("finish", "the lacquer darkens evenly; a pale patch beside the guard shows the first colour"),
    ("serial", "the last digit was stamped by hand; an even row of digits is a later plate"),
)

SOURCES: tuple[str, ...] = (
    "ledger of the Ferry Street rooms",
    "quayside fair, noted by hand",
    "Nine Isles saleroom, printed list",
    "shop window, Upper Thornquay",
    "notice board of the packet office",
    "letter from the seller",
    "",
)
