"""The shipped numbers against what is published, and files of the user's own."""

import re
from pathlib import Path

import pytest

from quietfloor.monitor.hearing.tables import (
    EXAMPLE,
    SHIPPED,
    STATUSES,
    HearingError,
    Row,
    load_hearing_tables,
    same_hz,
    worst_status,
)

TABLES = load_hearing_tables()
ROW = """
[[table]]
name = "mine"
title = "of our own"
[[row]]
table = "mine"
stimulus = "tone-burst"
frequency_hz = 1000
route = "air"
age_group = "infant"
transducer = "insert"
subtract_db = 10
source = "our protocol, 2024-05-01"
status = "verified"
"""


def one(table: str, hz: float, age: str = "infant") -> Row:
    rows = [row for row in TABLES.rows if row.table == table and age in row.age_group]
    (row,) = (row for row in rows if any(same_hz(hz, own) for own in row.frequency_hz))
    return row


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_shipped_number_carries_source_and_a_status_that_may_ship() -> None:
    entries = [
        *TABLES.rows, *TABLES.normals, *TABLES.interaural, *TABLES.occlusion, *TABLES.white_noise, *TABLES.grades.values()
    ]  # fmt: skip
    assert len(entries) > 30
    assert {entry.status for entry in entries} <= set(STATUSES) - {"unverified"}
    assert all(entry.source for entry in entries)


def test_corrections_come_from_what_was_read() -> None:
    """No row of correction is from memory: those that are recalled differ by 10 dB from each other."""
    assert {row.status for row in TABLES.rows} == {"verified"}
    assert not any(row.stimulus in ("click", "chirp") for row in TABLES.rows)
    assert not any(row.stimulus == "octave-chirp" and row.route == "bone" for row in TABLES.rows)


@pytest.mark.parametrize(("hz", "abr_above_behavioural"), [(500, 8.6), (2000, -0.4), (4000, -4.3)])
def test_stapells_1995(hz: float, abr_above_behavioural: float) -> None:
    """Stapells, Gravel & Martin 1995 (Ear Hear 16:361), abstract: mean differences ABR (dB nHL) less behavioural (dB HL)."""
    row = one("stapells-1995", hz)
    assert row.correction_db == pytest.approx(-abr_above_behavioural)
    assert row.is_for("tone-burst", hz, "air", "insert")
    assert not row.is_for("tone-burst", hz, "bone", "bone-vibrator")


@pytest.mark.parametrize(("hz", "normal"), [(500, 23.6), (2000, 12.9), (4000, 12.6)])
def test_stapells_1995_normal_ears(hz: float, normal: float) -> None:
    (entry,) = (entry for entry in TABLES.normals if entry.route == "air")
    assert (entry.kind, entry.at(hz)) == ("mean", normal)


@pytest.mark.parametrize("hz", [500, 1000, 2000, 4000])
@pytest.mark.parametrize(("age", "range_db"), [("adult", (5, 15)), ("infant", (-10, 10)), ("child", (-10, 10))])
def test_stapells_2000(hz: float, age: str, range_db: tuple[float, float]) -> None:
    """Stapells 2000, abstract: with sensorineural loss ABR 5 to 15 dB above behavioural (adults), -10 to +10 (young ones)."""
    assert one("stapells-2000", hz, age).correction_db == pytest.approx(-sum(range_db) / 2)


@pytest.mark.parametrize("hz", [500, 1000, 2000, 4000])
def test_octave_chirps_have_5_db_less_subtracted(hz: float) -> None:
    """Ferm et al. 2013 (1, 4 kHz), Ferm & Lightfoot 2015 (0.5, 2 kHz), abstracts: about 5 dB less than for tone pips."""
    row = one("octave-chirp-2015", hz)
    assert (row.correction_db, row.relative_to, row.age_group) == (5.0, "tone-burst", ("infant",))


@pytest.mark.parametrize(("hz", "db"), [(500, 28.0), (1000, 20.0)])
def test_newborn_bone_2014(hz: float, db: float) -> None:
    """Int J Audiol 2014, 53:132, abstract: about 28 dB at 0.5 kHz, 20 dB at 1 kHz, under three months, before any gap."""
    row = one("newborn-bone-2014", hz)
    assert (row.correction_db, row.relative_to, row.age_months) == (db, "air", (0, 3))
    assert row.fits_age("infant", 2.5)
    assert row.fits_age("infant", None)
    assert not row.fits_age("infant", 4)
    assert not row.fits_age("child", 2.5)


def test_bone_2012() -> None:
    """Hatton, Janssen & Stapells 2012: preliminary 0 dB at 2 kHz; normal to 20 (500 Hz) and 30 dB nHL (2 kHz), accuracy 98 %."""
    row = one("young-bone-2012", 2000)
    assert (row.correction_db, row.note) == (0.0, "preliminary")
    (limit,) = (entry for entry in TABLES.normals if entry.kind == "limit")
    assert (limit.at(500), limit.at(2000), limit.accuracy_percent) == (20.0, 30.0, 98.0)


def test_grades() -> None:
    """BSA 2018: mild 21-40, moderate 41-70, severe 71-95, profound above. World Report on Hearing 2021, table 1.3: 20, 35, ..."""
    bsa, who = TABLES.grading("bsa-2018"), TABLES.grading("who-2021")
    assert [bsa.word(db) for db in (20, 21, 40, 41, 70, 71, 95, 96)] == [
        "no loss", "mild", "mild", "moderate", "moderate", "severe", "severe", "profound",
    ]  # fmt: skip
    assert [who.word(db) for db in (19.9, 20, 34.9, 35, 50, 65, 80, 95)] == [
        "no loss", "mild", "mild", "moderate", "moderately severe", "severe", "profound", "complete",
    ]  # fmt: skip
    with pytest.raises(HearingError, match=r"grades = 'x' is unknown; known are bsa-2018, who-2021"):
        TABLES.grading("x")


def test_a_table_must_be_chosen() -> None:
    with pytest.raises(HearingError, match=r"no correction table is chosen, and there is no default.*stapells-1995"):
        TABLES.choose([])
    with pytest.raises(HearingError, match=r"'stapells' is unknown; known are stapells-1995"):
        TABLES.choose(["stapells"])
    assert TABLES.choose("stapells-1995") == TABLES.choose(["stapells-1995", "stapells-1995"])
    assert all(name in " ".join(TABLES.in_words()) for name in TABLES.tables)


def test_a_users_table_replaces_one_of_its_name_as_a_whole(tmp_path: Path) -> None:
    own = load_hearing_tables(written(tmp_path, ROW.replace('"mine"', '"stapells-1995"')))
    (row,) = own.choose(["stapells-1995"]).rows
    assert (row.frequency_hz, row.correction_db) == ((1000.0,), -10.0)
    assert own.choose(["stapells-2000"]).rows == TABLES.choose(["stapells-2000"]).rows
    assert own.normals == TABLES.normals


def test_sets_and_gradings_are_replaced_by_name(tmp_path: Path) -> None:
    text = """
    [[interaural]]
    set = "bone"
    transducer = "bone-vibrator"
    minimum_db = 5
    age_group = ["adult", "child", "infant"]
    source = "measured here"
    status = "verified"
    [[grades]]
    name = "ours"
    title = "Ours"
    averages_hz = [1000]
    first = "low"
    steps = [[30, "high"]]
    source = "our protocol"
    status = "unverified"
    """
    own = load_hearing_tables(written(tmp_path, text))
    assert [entry.minimum_db for entry in own.interaural if entry.set == "bone"] == [5.0]
    assert set(own.grades) == {"bsa-2018", "who-2021", "ours"}


def test_the_example_is_refused_until_its_sources_are_named(tmp_path: Path) -> None:
    with pytest.raises(HearingError, match=r"number 1: source = .*empty: name the document"):
        load_hearing_tables(EXAMPLE)
    text = EXAMPLE.read_text(encoding="utf-8")
    assert text.startswith("# UNVERIFIED")
    own = load_hearing_tables(written(tmp_path, text.replace('source = ""', 'source = "common practice, no publication found"')))
    names = ("programme-a", "programme-b", "prescription", "bone-octave-chirp")
    assert {row.status for row in own.choose(names).rows} == {"unverified"}
    (row,) = own.choose(["bone-octave-chirp"]).rows
    assert row.correction_db == 5.0


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("subtract_db = 10", "correction_db = 10"), r"\[\[row\]\] number 1: correction_db can be read with either sign"),
        (("subtract_db = 10", "subtract_db = -10"), r"subtract_db = -10: should be greater than or equal to 0"),
        (("subtract_db = 10", "subtract_db = nan"), r"subtract_db = nan: should be a finite number"),
        (("subtract_db = 10", "subtract_db = 10\nadd_db = 1"), r"exactly one of add_db and subtract_db"),
        (("subtract_db = 10", "note = \"none\""), r"exactly one of add_db and subtract_db"),
        (("frequency_hz = 1000", ""), r"tone-burst and octave-chirp have a frequency_hz"),
        (("frequency_hz = 1000", "frequency_hz = 30000"), r"frequency_hz"),
        (("transducer = \"insert\"", "transducer = \"bone-vibrator\""), r"bone goes with bone-vibrator"),
        (("route = \"air\"", "route = \"water\""), r"route = 'water': should be 'air' or 'bone'"),
        (("source = \"our protocol, 2024-05-01\"", "source = \" \""), r"source = ' ': is empty"),
        (("status = \"verified\"", "status = \"sure\""), r"status = 'sure'"),
        (("age_group = \"infant\"", "age = \"infant\""), r"\[\[row\]\] number 1: age"),
        (("[[table]]\nname = \"mine\"\ntitle = \"of our own\"", ""), r"rows of table 'mine', but no \[\[table\]\] of that name"),
        (("transducer = \"insert\"", "transducer = \"insert\"\nrelative_to = \"air\""), r"relative_to = 'air' is this row's own"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_named_with_its_place(tmp_path: Path, change: tuple[str, str], told: str) -> None:
    assert change[0] in ROW
    path = written(tmp_path, ROW.replace(*change))
    with pytest.raises(HearingError, match=told) as caught:
        load_hearing_tables(path)
    assert str(path) in str(caught.value)


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(HearingError, match="No such file"):
        load_hearing_tables(tmp_path / "none.toml")
    with pytest.raises(HearingError, match=r"see .*hearing-tables-example\.toml"):
        load_hearing_tables(written(tmp_path, "[[row"))
    with pytest.raises(HearingError, match=r"two tables of one name"):
        load_hearing_tables(written(tmp_path, ROW + '[[table]]\nname = "mine"\ntitle = "again"\n'))


def test_no_maker_is_named() -> None:
    text = SHIPPED.read_text(encoding="utf-8") + EXAMPLE.read_text(encoding="utf-8")
    assert not re.search(r"®|™|\bCE-", text)


def test_worst_status() -> None:
    assert worst_status(["verified", "from memory", "secondary"]) == "from memory"
    assert worst_status([]) == "unverified"
