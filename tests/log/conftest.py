"""A job log to test with, on SQLite and (when a server is named) on PostgreSQL."""

import hashlib
import os
import uuid
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa

from rakelight.core.records import (
    CHANGE_COLUMNS,
    COLOUR_COLUMNS,
    MARK_COLUMNS,
    PIT_COLUMNS,
    PLAN_COLUMNS,
    ColourReport,
    Comparison,
    FaceMap,
    Grade,
    GradeReport,
    Inspection,
    Lamp,
    Quality,
    RepairPlan,
    Scale,
    Window,
    make_table,
)
from rakelight.core.settings import Settings
from rakelight.log.connection import open_log
from rakelight.log.tables import Base

SERVER = "RAKELIGHT_TEST_POSTGRES"


def build_inspection(seed=1, *, n=25, photo: Path | None = None) -> Inspection:
    """Return a made-up inspection with a small picture, two zones and every kind of record."""
    rng = np.random.default_rng(seed)
    size_mm = rng.uniform(1, 9, n).round(2)
    x_mm = rng.uniform(0, 80, n).round(2)
    pits = make_table(
        PIT_COLUMNS,
        {
            "pit_id": np.arange(1, n + 1),
            "x_mm": x_mm,
            "y_mm": rng.uniform(0, 40, n).round(2),
            "diameter_mm": size_mm,
            "length_mm": size_mm,
            "width_mm": size_mm,
            "area_mm2": (np.pi / 4 * size_mm**2).round(3),
            "depth_mm": np.where(rng.random(n) < 0.3, np.nan, (size_mm / 2).round(2)),
            "depth_basis": ["at_least"] * n,
            "kind": np.where(size_mm < 2, "pinhole", "bug_hole"),
            "confidence": rng.uniform(0.5, 1, n).round(3),
            "zone": np.where(x_mm < 40, "A", "B"),
            "flags": ["near_edge"] * n,
            "diameter_sd_mm": (0.1 * size_mm).round(3),
        },
    )
    sha256 = hashlib.sha256(photo.read_bytes()).hexdigest() if photo else ""
    window = Window((500.0, 500.0), 10.0, 20.0, 0.004, 7)
    grade = Grade("demo", "Demo", "2", ("1", "2"), 0.4, "%", "rule", "source", "read", window)
    return Inspection(
        photos=({"name": photo.name if photo else "", "sha256": sha256, "kind": "raking"},),
        quality=Quality("good", ("dust it",), 1.1, 0.01, 0.0, 0.0, 1.2, {"tilt_deg": float("nan")}),
        scale=Scale("corners", 0.5, 0.001, np.eye(3) * 1.5, (80.0, 40.0)),
        lamp=Lamp(270.0, 15.0, (1.0, 2.0, 150.0), basis="said"),
        face=FaceMap(
            rng.integers(0, 255, (80, 160, 3)).astype(np.uint8), rng.random((80, 160)) > 0.1, 0.5
        ),
        pits=pits,
        marks=make_table(MARK_COLUMNS, {"mark_id": [1], "x_mm": [3.0], "kind": ["stain"]}),
        zones=({"name": "A", "kind": "pour", "outline_mm": [[0, 0], [40, 0], [40, 40]]},),
        grade=GradeReport(({"size_mm": [500, 500], "min": 0.1},), (grade,)),
        colour=ColourReport(make_table(COLOUR_COLUMNS), {"mean_L": 70.5}),
        plan=RepairPlan(make_table(PLAN_COLUMNS, {"field": ["A1"], "reason": ["=1+1"]})),
        settings=Settings().to_mapping(),
        version="0.1.0",
        job={"job": "Bench", "slab": "A"},
        outlines_mm=tuple(rng.uniform(0, 40, (12, 2)).round(3) for _ in range(n)),
        limits_of_this_answer=("open at the surface only",),
    )


def build_comparison(**counts) -> Comparison:
    """Return a made-up comparison with the given numbers of states."""
    counts = {"closed": 5, "dished": 1, "open": 2, "new": 1, "unseen": 0, **counts}
    table = make_table(
        CHANGE_COLUMNS,
        {"before_id": [1, None], "state": ["closed", "new"], "after_id": [None, 4]},
    )
    return Comparison(
        table=table,
        registration={"model": "affine", "n_stable": 12},
        figures={"counts": counts, "repaired_share": {"value": 0.5}},
        before={"stage": "after demold"},
        after={"stage": "after filling"},
        settings={},
        version="0.1.0",
        notes=("aligned",),
    )


@pytest.fixture
def make_inspection():
    """Return the builder of inspections."""
    return build_inspection


@pytest.fixture
def make_comparison():
    """Return the builder of comparisons."""
    return build_comparison


@pytest.fixture
def photo(tmp_path):
    """Return a file that stands for a photo."""
    path = tmp_path / "slab one.jpg"
    path.write_bytes(np.random.default_rng(5).bytes(5000))
    return path


@pytest.fixture(scope="session")
def server():
    """Return the address of an empty database on a real server, dropped at the end."""
    address = os.environ.get(SERVER)
    if not address:
        pytest.skip(f"{SERVER} names no PostgreSQL server")
    url = sa.make_url(address).set(drivername="postgresql+psycopg")
    name = f"rakelight_test_{uuid.uuid4().hex[:12]}"
    root = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with root.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    yield url.set(database=name).render_as_string(hide_password=False)
    with root.connect() as connection:
        connection.execute(sa.text(f"DROP DATABASE {name} WITH (FORCE)"))
    root.dispose()


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def where(request, tmp_path):
    """Give where to open the log: a new folder, or an emptied database."""
    if request.param == "sqlite":
        yield tmp_path / "log"
        return
    address = request.getfixturevalue("server")
    empty_database(address)
    yield address
    if request.node.get_closest_marker("plant"):  # it may have broken more than rows
        drop_tables(address)


def empty_database(address: str) -> None:
    """Take away every row, which is much quicker than making the tables anew."""
    engine = sa.create_engine(address)
    with engine.begin() as connection:
        known = set(sa.inspect(connection).get_table_names())
        tables = [t.name for t in Base.metadata.sorted_tables if t.name in known]
        if tables:
            connection.execute(sa.text(f"TRUNCATE {', '.join(tables)} CASCADE"))
    engine.dispose()


def drop_tables(address: str) -> None:
    """Take away tables, guards and all, so that the next test starts from nothing."""
    engine = sa.create_engine(address)
    with engine.begin() as connection:
        connection.execute(sa.text("DROP SCHEMA public CASCADE"))
        connection.execute(sa.text("CREATE SCHEMA public"))
    engine.dispose()


@pytest.fixture
def log(where, tmp_path):
    """Return an open, empty log."""
    with open_log(where, photos=tmp_path / "photos") as opened:
        yield opened


@pytest.fixture
def files_log(tmp_path):
    """Return an open, empty log on SQLite."""
    with open_log(tmp_path / "log") as opened:
        yield opened
