"""Times are found by looking, in all the ways logs write them; what cannot be told is said."""

from datetime import UTC, datetime, timedelta

import pytest

from monitor.adapters.tables.proposal.times import FoundTime, find_time

BEGIN = datetime(2026, 1, 27, 21, 0, tzinfo=UTC)


def whens(count: int = 400, step_s: float = 60.0, begin: datetime = BEGIN) -> list[datetime]:
    return [begin + timedelta(seconds=step_s * i) for i in range(count)]


def found(*columns: list[str], names: tuple[str, ...] = ("Time", "Clock"), index: str = "") -> FoundTime | None:
    return find_time(names[: len(columns)], ("",) * len(columns), columns, index)


@pytest.mark.parametrize(
    "form",
    [
        "%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p",
        "%d-%b-%Y %H:%M:%S", "%d-%b-%y %H:%M", "%Y/%m/%d %H:%M:%S.%f", "%Y%m%d %H%M%S", "%d-%m-%Y_%H:%M:%S",
        "%Y-%m-%dT%H:%M:%SZ", "%b %d, %Y %I:%M:%S %p",
    ],
)  # fmt: skip
def test_a_written_time_is_read_as_it_was_written(form: str) -> None:
    time = found([f"{when:{form}}" for when in whens()])
    assert time is not None
    assert time.period_s == 60.0
    for when in whens():
        text = f"{when:{form}}"
        read = datetime.fromisoformat(text) if time.format == "iso8601" else datetime.strptime(text, time.format)
        assert (read if read.tzinfo else read.replace(tzinfo=UTC)) == when.replace(
            second=when.second if "%S" in form else 0
        )


@pytest.mark.parametrize(("form", "scale"), [("s", 1), ("ms", 1e3), ("us", 1e6), ("ns", 1e9)])
def test_numbers_since_1970_are_told_by_their_size(form: str, scale: float) -> None:
    time = found([str(round(when.timestamp() * scale)) for when in whens()])
    assert time is not None
    assert (time.format, time.doubts) == (form, ())


def test_elapsed_seconds_need_a_name_for_any_column_that_rises_could_be_one() -> None:
    rising = [str(i * 5) for i in range(400)]
    assert found(rising, names=("Depth",)) is None
    time = found(rising, names=("Elapsed",))
    assert time is not None
    assert (time.format, time.period_s) == ("elapsed_s", 5.0)


def test_a_date_and_a_time_of_day_in_two_columns() -> None:
    time = found([f"{w:%d.%m.%Y}" for w in whens()], [f"{w:%H:%M:%S}" for w in whens()], names=("Datum", "Zeit"))
    assert time is not None
    assert time.columns == ("Datum", "Zeit")
    assert time.format == "%d.%m.%Y %H:%M:%S"
    swapped = found([f"{w:%H:%M:%S}" for w in whens()], [f"{w:%d.%m.%Y}" for w in whens()], names=("a", "b"))
    assert swapped is not None
    assert swapped.columns == ("b", "a")


def test_a_time_of_day_alone_is_of_the_first_day_after_the_row_before() -> None:
    over_midnight = whens(400, 600.0, datetime(2026, 3, 1, 20, 0, tzinfo=UTC))
    time = found([f"{w:%I:%M:%S %p}" for w in over_midnight], names=("Time",))
    assert time is not None
    assert (time.format, time.period_s) == ("%I:%M:%S %p", 600.0)
    assert time.ends_s[1] - time.ends_s[0] == pytest.approx(399 * 600.0)
    assert "no date" in time.doubts[0]


def test_a_date_goes_before_a_time_of_day() -> None:
    dated = [f"{w:%d.%m.%Y %H:%M:%S}" for w in whens()]
    time = found([f"{w:%H:%M:%S}" for w in whens()], dated, names=("Time", "Stamp"))
    assert time is not None
    assert time.columns == ("Stamp",)


def test_day_and_month_are_told_apart_by_the_order_of_the_rows() -> None:
    # From 1 to 6 March: as months, the log would jump from January to June.
    days = whens(400, 1080.0, datetime(2026, 3, 1, tzinfo=UTC))
    for form in ("%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"):
        time = found([f"{when:{form}}" for when in days])
        assert time is not None
        assert time.format == form
        assert not any("can be read as" in doubt for doubt in time.doubts)


def test_a_day_that_could_be_a_month_is_named_where_nothing_tells() -> None:
    time = found([f"{when:%d/%m/%Y %H:%M:%S}" for when in whens(200, 10.0, datetime(2026, 2, 1, tzinfo=UTC))])
    assert time is not None
    assert any("can be read as" in doubt and "%m/%d" in doubt for doubt in time.doubts)


def test_the_zone_is_doubtful_where_none_is_written() -> None:
    without, with_zone = ([f"{when:%Y-%m-%dT%H:%M:%S}{zone}" for when in whens()] for zone in ("", "+02:00"))
    one, other = found(without), found(with_zone)
    assert one is not None
    assert other is not None
    assert any("taken for UTC" in doubt for doubt in one.doubts)
    assert other.doubts == ()


def test_a_second_time_is_named_and_the_files_own_index_goes_before_it() -> None:
    utc, local = ([f"{w + timedelta(hours=h):%Y-%m-%dT%H:%M:%S}Z" for w in whens()] for h in (0, 2))
    time = found(utc, local, names=("Time UTC", "Time local"), index="Time local")
    assert time is not None
    assert time.columns == ("Time local",)
    both = found(utc, local, names=("Time UTC", "Time local"))
    assert both is not None
    assert any("'Time local' could be the time as well" in doubt for doubt in both.doubts)


def test_a_few_cells_that_are_no_time_do_not_hide_it() -> None:
    cells = [f"{when:%Y-%m-%d %H:%M:%S}" for when in whens()]
    for place in (0, 77, 303):
        cells[place] = "" if place == 303 else "no time"
    time = found(cells[1:])
    assert time is not None
    assert time.format == "iso8601"
