"""`python -m training evaluate`: judge the current price model by sales, and show the gain from more records.

Slow modules are imported inside the functions that need them, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from models.commands.console import NEW_FILE, StoreType, examples, json_option
from models.commands.options import cluster_option
from models.errors import BookmatchError
from training.commands.telling import note, show_study, tell
from training.sources import Source, SourceParameter, named, read_source

if TYPE_CHECKING:
    from models.bundles.places import Store
    from models.domain.evidence import Evidence
    from models.valuation.valuer import Valuer


@click.command(
    epilog=examples(
        "bookmatch evaluate later-sales.csv --store store",
        "bookmatch evaluate --store store --growth --picture growth.svg",
    )
)
@click.argument("holdout", type=SourceParameter(), required=False)
@click.option(
    "--store",
    required=True,
    type=StoreType(),
    help="Folder of price models, or s3://BUCKET/PREFIX; the current one is judged.",
)
@click.option("--strict", is_flag=True, help="Make any bad row an error.")
@click.option("--growth", is_flag=True, help="Also show what more records would bring.")
@click.option("--picture", type=NEW_FILE, help="With --growth: draw it to this SVG file.")
@click.option(
    "--jobs",
    type=click.IntRange(min=1),
    help="With --growth: fits at a time.  [default: the machine's processors]",
)
@cluster_option
@json_option
def evaluate(
    holdout: Source | None,
    store: Store,
    strict: bool,
    growth: bool,
    picture: Path | None,
    jobs: int | None,
    cluster: str | None,
    as_json: bool,
) -> None:
    """Judge the current price model by the sales of HOLDOUT, which it should not have seen.

    HOLDOUT is a file (CSV) or the address of the service's database, as for `fit`; records that the service
    has warned of count too.

    --growth fits the bundle's own evidence again in parts: an eighth, a quarter and a half of its
    instruments, each twice (four times below 300 sales). Without HOLDOUT each part is judged by sales of the
    other half. Then it says which makers, models and fields would gain most from ten more sales. With more
    than 4,000 sales it takes one processor about twice as long as a fit of the whole, three times with
    HOLDOUT: some minutes, and more in proportion to the records. With fewer it takes a minute or two.
    """
    from models.bundles.registry import Registry
    from models.study.judge import judge, study
    from training.card.contents import plain

    if not growth and holdout is None:
        raise click.UsageError("HOLDOUT is needed without --growth")
    if not growth and (picture or jobs or cluster):
        raise click.UsageError("--picture, --jobs and --cluster go with --growth only")
    bundle = Registry(store).load()
    valuer = bundle.valuer
    sales = () if holdout is None else _sales_of(holdout, valuer, strict)
    if growth:
        from models.commands.cluster import over
        from training.commands.growth import show

        with over(cluster):
            show(bundle, sales, jobs, picture, as_json)
        return
    standing = {"version": bundle.version, "provisional": valuer.provisional}
    show_study({**standing, **plain(study(judge(valuer.model, sales, valuer.rates)))}, as_json)


def _sales_of(source: Source, valuer: Valuer, strict: bool) -> tuple[Evidence, ...]:
    from models.study.judge import only_sales

    # A price model that is judged only by sales that it can believe would look better than it is.
    reading = read_source(source, valuer.catalogue, valuer.rates, strict=strict, with_held=True)
    tell(reading)
    sales, rows, last = only_sales(reading.rows), len(reading.rows), valuer.model.last_evidence
    if not sales:
        raise BookmatchError(
            f"{named(source)}: none of its {rows} usable rows is of kind sale; add closed sales"
        )
    if rows > len(sales):
        note(f"{rows - len(sales)} rows are not of kind sale and were left out")
    early = sum(last is not None and sale.day <= last for sale in sales)
    if early:
        note(
            f"{early} of {len(sales)} sales are not later than the bundle's last evidence ({last}): where it "
            "was fitted on them, they flatter it"
        )
    return sales
