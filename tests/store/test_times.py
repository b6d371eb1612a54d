"""When things were: by the clocks of their commit, put right later, and never a key."""

from __future__ import annotations

from tests.store.kit import NS, WALL_NS, Site, event, numbers_and_counts, reading

HOUR_NS = 3600 * NS


def test_wall_time_is_that_of_the_record_not_of_its_commit(site: Site) -> None:
    """The monotonic difference to the commit is taken off."""
    writer = site.started()
    made = site.clock.monotonic_ns() - 7 * NS
    writer.put([reading(1, monotonic_ns=made), event(2, monotonic_ns=made + 5)])
    writer.stop(5)

    assert site.reader.readings_after(0, 1)[0].wall_ns == made + WALL_NS
    assert site.reader.events_after(0, 1)[0].wall_ns == made + 5 + WALL_NS


def test_after_a_step_back_every_record_is_found_by_number(site: Site) -> None:
    """Wall times repeat, numbers grow: a cursor misses nothing and nothing is refused."""
    writer = site.started()
    for count in range(1, 61):
        if count == 31:
            site.clock.offset_ns -= HOUR_NS
        writer.put([reading(count) if count % 3 else event(count)])
        site.until_stored(count)
    found: list[int] = []
    cursor = 0
    while page := site.reader.readings_after(cursor, 7):
        found += [r.n for r in page]
        cursor = page[-1].n
    walls = [r.wall_ns for r in site.reader.readings_after(0, 99)]

    assert found == [n for n in range(1, 61) if n % 3]
    assert numbers_and_counts(site.reader) == [(n, n) for n in range(1, 61)]
    assert min(walls[20:]) < walls[0]


def test_times_before_the_clock_was_set_are_marked_and_put_right_later(site: Site) -> None:
    """A board boots in the past: its first records say so, until the first known time of the same boot."""
    site.clock.is_known, site.clock.offset_ns = False, 0
    writer = site.started()
    made = site.clock.monotonic_ns()
    writer.put([reading(1, monotonic_ns=made), event(2, monotonic_ns=made)])
    site.until_stored(2)
    before = (site.reader.readings_after(0, 1)[0], site.reader.events_after(0, 1)[0])
    site.clock.offset_ns, site.clock.is_known = WALL_NS, True
    writer.put([event(3)])
    site.until_stored(3)
    after = (site.reader.readings_after(0, 1)[0], site.reader.events_after(0, 1)[0])

    assert [(r.clock_known, r.wall_ns) for r in before] == [(False, made)] * 2
    assert [(r.clock_known, r.wall_ns) for r in after] == [(True, made + WALL_NS)] * 2
    assert site.rows("SELECT clock_known FROM commit_span ORDER BY first LIMIT 1") == [(0,)]


def test_clock_set_in_a_later_run_of_the_same_boot_puts_the_earlier_run_right(site: Site) -> None:
    """The monotonic clock goes on over a restart of the program."""
    site.clock.is_known, site.clock.offset_ns = False, 0
    writer = site.started()
    made = site.clock.monotonic_ns()
    writer.put([event(1, monotonic_ns=made)])
    writer.stop(5)
    site.clock.offset_ns, site.clock.is_known = WALL_NS, True
    writer = site.started()
    writer.put([event(1)])
    writer.stop(5)

    assert site.reader.events_after(0, 1)[0].wall_ns == made + WALL_NS


def test_another_boot_puts_nothing_right(site: Site) -> None:
    """Monotonic times of two boots have nothing to do with each other."""
    site.clock.is_known, site.clock.offset_ns = False, 0
    writer = site.started()
    writer.put([event(1)])
    writer.stop(5)
    site.clock.boot, site.clock.offset_ns, site.clock.is_known = "boot-2", WALL_NS, True
    writer = site.started()
    writer.put([event(1)])
    writer.stop(5)

    assert [e.clock_known for e in site.reader.events_after(0, 9)] == [False, True]


def test_only_the_first_known_time_of_a_boot_corrects(site: Site) -> None:
    """A later step does not move what was put right already: the correction is one row and stays."""
    site.clock.is_known, site.clock.offset_ns = False, 0
    writer = site.started()
    made = site.clock.monotonic_ns()
    writer.put([event(1, monotonic_ns=made)])
    site.until_stored(1)
    site.clock.offset_ns, site.clock.is_known = WALL_NS, True
    for count in (2, 3):
        writer.put([event(count)])
        site.until_stored(count)
        site.clock.offset_ns += HOUR_NS

    assert site.reader.events_after(0, 1)[0].wall_ns == made + WALL_NS
    assert len(site.rows("SELECT boot FROM clock_set")) == 1
