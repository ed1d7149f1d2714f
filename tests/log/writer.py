"""A program that writes into a log until it is killed; run by the tests of kills and crowds.

    python writer.py TASK WHERE PHOTOS [BUNDLE]

It prints one line for every write that the log has confirmed, so that whoever killed it knows
what must be there.
"""

import os
import sys
import tempfile
import uuid
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from conftest import build_inspection

from rakelight.log.bundle import export_job
from rakelight.log.connection import open_log
from rakelight.log.history import delete_record, purge_job, undelete_record
from rakelight.log.merge import import_job
from rakelight.log.search import list_jobs
from rakelight.log.store import SurveyPlace, add_note, save_inspection
from rakelight.log.upgrade import downgrade_log, upgrade_log


def say(*words: str) -> None:
    """Print a line at once."""
    print(*words, flush=True)


def save(log, _):
    """Inspect a new photo into its own job, again and again."""
    with tempfile.TemporaryDirectory() as folder:
        while True:
            photo = Path(folder) / "photo.jpg"
            photo.write_bytes(os.urandom(200_000))
            name = uuid.uuid4().hex
            uid = save_inspection(
                log, build_inspection(n=15, photo=photo), SurveyPlace(name), photos=[photo]
            )
            say("saved", name, uid)


def note(log, name):
    """Write a remark on one job, again and again."""
    number = 0
    while True:
        say("noted", add_note(log, name, f"{os.getpid()} {number}"))
        number += 1


def take(log, bundle):
    """Import a bundle and purge its job, again and again."""
    for uid in list_jobs(log, is_deleted=True)["uid"]:  # the run before was killed in between
        undelete_record(log, "job", uid)
    while True:
        uid = import_job(log, bundle).uid
        say("imported", uid)
        delete_record(log, "job", uid)
        purge_job(log, uid)
        say("purged", uid)


def purge(log, _):
    """Write a job and purge it, again and again."""
    with tempfile.TemporaryDirectory() as folder:
        while True:
            photo = Path(folder) / "photo.jpg"
            photo.write_bytes(os.urandom(50_000))
            name = uuid.uuid4().hex
            save_inspection(
                log, build_inspection(n=5, photo=photo), SurveyPlace(name), photos=[photo]
            )
            uid = list_jobs(log).set_index("job").loc[name, "uid"]
            delete_record(log, "job", uid)
            purge_job(log, uid)
            say("purged", uid)


def migrate(log, _):
    """Take the newest step back and forth, again and again."""
    while True:
        downgrade_log(log, revision="0001")
        upgrade_log(log)
        say("migrated")


def send(log, folder):
    """Export the first job, again and again."""
    name = list_jobs(log)["job"][0]
    while True:
        path = Path(folder) / f"{uuid.uuid4().hex}.zip"
        say("exported", str(export_job(log, name, path)))


TASKS = {"save": save, "note": note, "take": take, "purge": purge, "migrate": migrate, "send": send}

if __name__ == "__main__":
    task, where, photos, *rest = sys.argv[1:]
    with open_log(where, photos=photos) as opened:
        say("ready")
        TASKS[task](opened, rest[0] if rest else None)
