"""Photographs over real HTTP: the cost of one, and the memory of worker and child under hostile ones."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import httpx
import pytest
from fakes import write_fake
from hostile_pictures import PICTURE, Upload, cleaned, refused, taken
from owner_rows import request_row
from pictures import JPEG, PNG, WEBP, encoded, noise
from PIL import Image, ImageCms
from running import SECRET, Running, peak, resident
from sqlalchemy import func, insert, select

from models.bundles.registry import Registry
from models.costs import PHOTOGRAPH_MEMORY
from service.db.engine import open_engine, reading, writing
from service.db.request_tables import PHOTOGRAPHS, REQUESTS
from service.keys.records import KeyRing
from service.photographs.taking import KINDS

LINK, REQUEST = "bmf_" + "0" * 32, "req_live"
PATH = f"/v1/requests/{REQUEST}/photographs"
MOST_GROWTH = 64  # megabytes of a worker
# It does what the service's own child does, and says what that has cost.
MEASURED = """
import resource, sys
from pathlib import Path
from service.children.child import main
code = main()
sys.stdout.flush()
status = Path("/proc/self/status").read_text()
used = resource.getrusage(resource.RUSAGE_SELF)
print(status.partition("VmHWM:")[2].split()[0], used.ru_utime + used.ru_stime, file=sys.stderr)
sys.exit(code)
"""


class Cost(NamedTuple):
    """The end of a child, the most megabytes that it had resident, and its seconds of processor."""

    code: int
    megabytes: float
    seconds: float


def cost_of(upload: Upload) -> Cost:
    child = [sys.executable, "-c", MEASURED, "service.photographs.child", "20", str(PHOTOGRAPH_MEMORY)]
    done = subprocess.run([*child, KINDS[upload.form]], input=upload.body, capture_output=True, check=False)
    kilobytes, seconds = done.stderr.split()[-2:]
    return Cost(done.returncode, int(kilobytes) / 1024, float(seconds))


def large_jpeg() -> bytes:
    """A JPEG of 24 megapixels and about 8 MB, as a camera makes them."""
    return encoded(noise(6000, 4000, 8), "JPEG", quality=92)


def dearest() -> dict[str, Upload]:
    """The largest that is taken of each kind, and what makes it dear: a profile, steps, alpha, depth."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    wide, square = noise(8_600, 5_800, 64), noise(5_999, 5_999, 64)
    clear = square.convert("RGBA")
    return {
        "50 MP in steps": Upload(JPEG, encoded(wide, "JPEG", progressive=True, subsampling=0, quality=50)),
        "36 MP with alpha and profile": Upload(
            PNG, encoded(clear, "PNG", compress_level=1, icc_profile=profile)
        ),
        "20 MP WebP": Upload(WEBP, encoded(noise(5_000, 4_000, 64), "WEBP", method=0, icc_profile=profile)),
        "50 MP CMYK": Upload(JPEG, encoded(Image.new("CMYK", (8_600, 5_800)), "JPEG")),
    }


def test_a_photograph_of_8_mb_costs_little() -> None:
    body = large_jpeg()
    cost = cost_of(Upload(JPEG, body))
    print(f"\n{len(body) / 1e6:.1f} MB, 24 MP: {cost.seconds:.2f} s of processor, {cost.megabytes:.0f} MB")
    assert 7.5e6 < len(body) < 8.5e6
    assert cost.code == 0 and cost.megabytes < 160 and cost.seconds < 3


def test_no_child_takes_more_memory_or_time_than_it_may() -> None:
    uploads = {
        name: one for name, one in {**refused(), **cleaned(), **taken()}.items() if one.refused == PICTURE
    }
    costs = {name: cost_of(one) for name, one in uploads.items()}
    dear = {name: cost_of(one) for name, one in dearest().items()}
    worst = max(costs.items(), key=lambda item: item[1].megabytes)
    print(f"\n{len(costs)} of the corpus: at most {worst[1].megabytes:.0f} MB ({worst[0]})")
    for name, cost in dear.items():
        print(f"{name}: {cost.megabytes:.0f} MB, {cost.seconds:.2f} s")
    assert {cost.code for cost in dear.values()} == {0}
    assert max(cost.megabytes for cost in (*costs.values(), *dear.values())) * 2**20 < PHOTOGRAPH_MEMORY
    assert max(cost.seconds for cost in (*costs.values(), *dear.values())) < 10


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Running]:
    """One worker on SQLite, and a request with an owner's link."""
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    limits = {"BOOKMATCH_WORKERS": "1", "BOOKMATCH_LIMIT_VISITOR": "0"}
    with Running(tmp_path, store, settings=limits) as service:
        engine = open_engine(f"sqlite:///{tmp_path / 'service.db'}")
        row = request_row(REQUEST, service.key.split("_")[1], KeyRing(engine, SECRET).digest(LINK))
        with writing(engine) as connection:
            connection.execute(insert(REQUESTS).values(row))
        engine.dispose()
        yield service


def test_a_worker_stays_small_and_stores_nothing_hostile(service: Running, tmp_path: Path) -> None:
    headers, body = {"Authorization": f"Bearer {LINK}"}, large_jpeg()
    with httpx.Client(base_url=service.url, headers=headers, timeout=60) as http:

        def send(upload: Upload) -> httpx.Response:
            return http.post(PATH + upload.query, content=upload.body, headers={"Content-Type": upload.form})

        made = send(Upload(JPEG, body))
        assert made.status_code == 201 and made.json()["width"] == 3000
        (worker,) = service.workers()
        begun = resident(worker)
        peak(worker)
        for name, upload in refused().items():
            found = send(upload)
            assert found.status_code == upload.refused[0], name
            assert found.json()["type"] == f"/docs#problem-{upload.refused[1]}", name
        most = peak(worker)
        assert service.workers() == [worker], "the worker was replaced"
        assert len(http.get(PATH).json()["photographs"]) == 1
    engine = open_engine(f"sqlite:///{tmp_path / 'service.db'}")
    with reading(engine) as connection:
        assert connection.execute(select(func.count()).select_from(PHOTOGRAPHS)).scalar_one() == 1
    engine.dispose()
    assert len([path for path in (tmp_path / "files").rglob("*") if path.is_file()]) == 2
    print(f"\n{len(refused())} hostile uploads: the worker grew from {begun:.0f} MB to {most:.0f} MB at most")
    assert most < begun + MOST_GROWTH
