"""The schema: from nothing, from an older one, never from something else."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from quietbench.daemon.store.connect import create, open_for_writing, prepare
from quietbench.daemon.store.errors import StoreError, StoreRefusedError
from quietbench.daemon.store.migrate import APPLICATION_ID, Migration, landed, migrate, newest
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import FILE_NAME
from tests.store.kit import Site, event, run_start

# A landed migration is never edited: stores in the field were made by exactly this text. Add a file instead.
LANDED = {"0001_first.sql": "962f3bf1dc857a26d979e4650ebecf206353d8ceabb1ea09fdad47be75c0a664"}


def blank(folder: Path) -> sqlite3.Connection:
    prepare(folder)
    create(folder)
    return open_for_writing(folder)


def script(number: int, text: str) -> Migration:
    return Migration(number, f"{number:04d}_test.sql", f"sum of {text}", text)


def test_landed_migrations_are_as_they_landed() -> None:
    """No landed script has changed by a byte, and none is missing from the list."""
    assert {migration.name: migration.sha256 for migration in landed()} == LANDED


def test_empty_folder_gets_every_table(site: Site) -> None:
    """A first start makes the whole schema, marks the file and records what ran."""
    site.started().stop(5)

    assert {name for (name,) in site.rows("SELECT name FROM sqlite_schema WHERE type = 'table'")} >= {
        "migration", "plan", "run", "run_end", "series", "commit_span", "clock_set", "reading", "event", "cursor",
        "set_aside", "people",
    }  # fmt: skip
    assert site.rows("PRAGMA application_id") == [(APPLICATION_ID,)]
    assert site.rows("PRAGMA user_version") == [(newest(),)]
    assert dict(site.rows("SELECT name, sha256 FROM migration")) == LANDED


def test_second_start_changes_nothing(site: Site) -> None:
    """Migrations that ran are not run again."""
    site.started().stop(5)
    before = site.rows("SELECT * FROM migration")
    site.started().stop(5)

    assert site.rows("SELECT * FROM migration") == before


def test_every_table_is_strict(site: Site) -> None:
    """A column never holds another type than it says."""
    site.started().stop(5)
    loose = (
        "SELECT name FROM pragma_table_list WHERE type = 'table' AND NOT strict AND name NOT LIKE 'sqlite_%'"
    )

    assert site.rows(loose) == []


def test_readings_have_no_second_index(site: Site) -> None:
    """An index more would multiply what is written for each reading."""
    site.started().stop(5)

    assert site.rows("SELECT name FROM pragma_index_list('reading')") == []


def test_older_store_is_brought_up_to_date_and_keeps_its_records(site: Site) -> None:
    """Only the new script runs, in order, over records that stand."""
    writer = site.started()
    writer.put([event(1)])
    writer.stop(5)
    connection = open_for_writing(site.folder)
    scripts = [*landed(), script(len(landed()) + 1, "CREATE TABLE extra (id INTEGER PRIMARY KEY) STRICT;")]
    ran = migrate(connection, site.folder / FILE_NAME, wall_ns=0, scripts=scripts)
    extra = connection.execute("SELECT count(*) FROM extra").fetchone()
    connection.close()

    assert ran == 1
    assert extra == (0,)
    assert site.rows("SELECT count(*) FROM event") == [(1,)]
    assert site.rows("PRAGMA user_version") == [(len(scripts),)]


def test_script_that_fails_leaves_nothing(tmp_path: Path) -> None:
    """Half a migration is none: the version stays and the next start tries again."""
    connection = blank(tmp_path)
    bad = script(2, "CREATE TABLE half (id INTEGER PRIMARY KEY) STRICT;\nINSERT INTO nowhere VALUES (1);\n")
    scripts = [*landed()[:1], bad]

    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        migrate(connection, tmp_path / FILE_NAME, wall_ns=0, scripts=scripts)

    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'half'").fetchone() == (0,)
    connection.close()


def test_store_of_a_newer_version_is_refused(site: Site) -> None:
    """Neither writer nor reader guesses at a schema it does not know."""
    site.started().stop(5)
    connection = sqlite3.connect(site.folder / FILE_NAME)
    connection.execute("PRAGMA user_version = 9001")
    connection.close()

    with pytest.raises(StoreRefusedError, match="9001 is newer"):
        site.writer().start(run_start(site.clock))
    with pytest.raises(StoreRefusedError, match="9001 is newer"):
        StoreReader(site.folder).last_n()


def test_another_programs_database_is_refused_and_left_alone(site: Site) -> None:
    """A file with other tables is not ours to migrate."""
    site.folder.mkdir()
    connection = sqlite3.connect(site.folder / FILE_NAME)
    connection.execute("CREATE TABLE theirs (x)")
    connection.close()

    with pytest.raises(StoreRefusedError, match="another program's"):
        site.writer().start(run_start(site.clock))

    assert site.rows("SELECT name FROM sqlite_schema") == [("theirs",)]


def test_store_made_by_an_edited_migration_is_refused(site: Site) -> None:
    """Check sums tell that a script is not the one that made the file."""
    site.started().stop(5)
    connection = sqlite3.connect(site.folder / FILE_NAME)
    connection.execute("UPDATE migration SET sha256 = 'other'")
    connection.commit()
    connection.close()

    with pytest.raises(StoreRefusedError, match=r"made by migration 0001_first\.sql"):
        site.writer().start(run_start(site.clock))


def test_file_that_is_no_database_is_refused_with_advice(site: Site) -> None:
    """Garbage is neither overwritten nor a traceback."""
    site.folder.mkdir()
    (site.folder / FILE_NAME).write_bytes(b"not a database" * 1000)

    with pytest.raises(StoreError, match="move it aside"):
        site.writer().start(run_start(site.clock))


@pytest.mark.parametrize(
    ("names", "text"),
    [
        (["0001_a.sql", "0003_b.sql"], r"\[1, 3\]"),
        (["0001_a.sql", "0001_b.sql"], r"\[1, 1\]"),
        (["first.sql"], "NNNN|wanted a name like"),
    ],
)
def test_misnumbered_scripts_are_refused(tmp_path: Path, names: list[str], text: str) -> None:
    """Two of one number, or a gap, are seen before anything runs."""
    for name in names:
        (tmp_path / name).write_text("SELECT 1;")

    with pytest.raises(StoreRefusedError, match=text):
        landed(tmp_path)
