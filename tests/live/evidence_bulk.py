"""Large files of evidence for the tests of the real server."""

from __future__ import annotations

CSV = {"Content-Type": "text/csv"}
HEAD = (
    "id,kind,date,price,currency,channel,source,maker,model,year,finish,serial,condition_top,condition_neck,"
    "condition_frets,condition_electronics,condition_structure,originality_finish,originality_pickups,"
    "originality_tuners,provenance_history,provenance_case\n"
)
KINDS, DAYS = ("sale", "asking", "offer"), ("2024-02-29", "2025-01-13", "2025-11-30")


def row(number: int) -> str:
    kind, day = KINDS[number % 3], DAYS[number % len(DAYS)]
    price, year = 900 + number % 1700, 1958 + number % 12
    own = f"R{number},{kind},{day},{price}.50,EUR,dealer,a note,ostvik,fjell 2,{year},Tarn,F {number}"
    return f"{own},1,{number % 6},2,working,sound,original,period,original,one_owner,modern\n"


def file_of(count: int, first: int = 0) -> bytes:
    return (HEAD + "".join(row(number) for number in range(first, first + count))).encode()
