"""A dose policy: what a file may say, its seal, whom and when it covers, and that it moves the dose of a day and nothing else."""

import datetime
import math

import pytest

from quietfloor.stimuli.ceiling import AGE_GROUPS, Ceiling
from quietfloor.stimuli.dose import DAY_DB, HARD_TIMES, Dose, DoseError, DoseGuard, check, exposure_db, limit_pa2s
from quietfloor.stimuli.dose_policy import DosePolicyError, load_dose_policy, read_unsealed, seal_file

TODAY = datetime.date(2026, 11, 30)
TEXT = """# of the ward
name = "threshold search, infants"
approval = "vote 17/2026"
approved_by = "A. Person"
reason = "hearing loss is looked for at 80 dB nHL"
expires = 2027-06-30
age_groups = ["infant"]
day_limit_times = 3.0
"""


@pytest.fixture
def path(tmp_path):
    file = tmp_path / "policy.toml"
    file.write_text(TEXT)
    return file


def test_a_sealed_policy_is_read_with_its_comments_kept(path):
    sealed = seal_file(path)
    assert load_dose_policy(path) == sealed
    assert path.read_text().startswith("# of the ward\n")
    assert seal_file(path) == sealed
    assert path.read_text().count("seal =") == 1
    assert "vote 17/2026, approved by A. Person, until 2027-06-30: 3 times the usual sound dose" in sealed.words
    sealed.check("infant", TODAY)


@pytest.mark.parametrize(
    ("old", "new"), [("3.0", "5.0"), ("2027-06-30", "2027-07-30"), ('["infant"]', '["adult"]'), ("vote 17", "v 17")]
)
def test_a_change_breaks_the_seal(path, old, new):
    seal_file(path)
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(DosePolicyError, match=r"was changed since it was sealed.*quietfloor dose --seal"):
        load_dose_policy(path)


def test_without_a_seal_it_is_refused(path):
    with pytest.raises(DosePolicyError, match=r"carries no seal.*quietfloor dose --seal"):
        load_dose_policy(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("3.0", "5.01", r"day_limit_times = 5\.01; allowed is 1 to 5, the hard limit"), ("3.0", "0.5", "day_limit_times"),
        ("3.0", "nan", "day_limit_times"), ("3.0", "true", "day_limit_times"), ("3.0", '"3"', "day_limit_times"),
        ("2027-06-30", '"soon"', "expires"), ("2027-06-30", "2027-06-30T10:00:00", "expires"), ('["infant"]', "[]", "age_groups"),
        ('["infant"]', '["baby"]', "age_groups"), ('["infant"]', '["infant", "infant"]', "age_groups"),
        ('["infant"]', "3", "age_groups"),
        ('"vote 17/2026"', '""', "approval"), ('"vote 17/2026"', "17", "approval"), ("reason =", "raison =", "raison is no key"),
        ("approved_by", "# approved_by", "approved_by is missing"), ("name = ", "name ", "not TOML"),
        ('"A. Person"', '"A\\nB"', "approved_by"),
    ],
)  # fmt: skip
def test_wrong_values_are_refused_by_their_key(path, old, new, said):
    path.write_text(TEXT.replace(old, new))
    with pytest.raises(DosePolicyError, match=said):
        seal_file(path)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(DosePolicyError, match=r"nothing\.toml cannot be read"):
        load_dose_policy(tmp_path / "nothing.toml")


@pytest.mark.parametrize(
    ("age_group", "today", "said"),
    [("adult", TODAY, "covers infant, the plan is for 'adult': leave out"), ("child", TODAY, "covers infant"),
     ("infant", datetime.date(2027, 7, 1), "ended on 2027-06-30, today is 2027-07-01: have it approved again"),
     ("infant", datetime.date(2024, 1, 1), "would hold until")],
)  # fmt: skip
def test_another_age_or_day_is_refused_with_what_to_do(path, age_group, today, said):
    policy, _ = read_unsealed(path)
    policy.check("infant", datetime.date(2027, 6, 30))
    with pytest.raises(DosePolicyError, match=said):
        policy.check(age_group, today)


def test_the_hard_limit_is_a_working_week():
    # five days of 85 dB(A) for 8 h: 40 h at 85 dB(A) (NIOSH; averaging by week: Directive 2003/10/EC, article 3, from memory)
    assert exposure_db(limit_pa2s("adult", HARD_TIMES)) == pytest.approx(85 + 10 * math.log10(40 * 3600), abs=1e-9)
    assert exposure_db(limit_pa2s("infant", 2.0)) == pytest.approx(DAY_DB + 3.01, abs=0.01)
    for times in (5.001, 0.99, math.nan, math.inf, -1.0):
        with pytest.raises(DoseError, match="which nothing moves"):
            limit_pa2s("adult", times)
        with pytest.raises(DoseError, match="which nothing moves"):
            DoseGuard(((1.0, 0.0), (0.0, 1.0)), Dose(), "adult", times=times)


def test_more_is_allowed_and_said_under_a_policy():
    limit = limit_pa2s("infant")
    per_s = Dose(0.0, limit / 60)
    check(Dose(0.0, 2.9 * limit), per_s, Dose(), "infant", 100, 47.1, 3.0)
    with pytest.raises(DoseError, match=r"under a dose policy of 3 times the usual limit.*60 s are left"):
        check(Dose(0.0, 2.9 * limit), per_s, Dose(0.0, 2 * limit), "infant", 100, 47.1, 3.0)


def test_no_ceiling_knows_of_policies():
    assert {field for field in Ceiling.__dataclass_fields__ if "polic" in field or "times" in field} == set()
    assert all(Ceiling("insert", age).peak_to_peak(None) for age in AGE_GROUPS)
