"""The tables of the whole job: strict, each row with who and when, contradictions told. Cases here are invented."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from forensics.case.job import JOB_MODELS, Row
from forensics.case.job_files import job_files
from forensics.case.read import check_case, read_job_file
from forensics.case.schema import JobFile
from forensics.case.stage import job_gaps, minutes_apart, next_step, steps_begun
from forensics.errors import InputError
from forensics.intake.case_files import custody_hash_gaps, named_files
from forensics.report.checking.check import check_case_folder

CALL = 'schema = 1\n[case]\nid = "call"\ntime_zone = "America/Chicago"\n'


def _job(folder: Path, more: str = "", head: str = CALL) -> JobFile:
    path = folder / "case.toml"
    path.write_text(head + more, encoding="utf-8")
    return read_job_file(path)


def _faults(folder: Path, more: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        _job(folder, more)
    return [str(problem) for problem in caught.value.problems]


def _gaps(folder: Path, more: str, head: str = CALL) -> list[str]:
    return [str(gap) for gap in job_gaps(_job(folder, more, head))]


def test_a_telephone_call_is_enough_for_a_job_and_not_for_a_report(tmp_path: Path) -> None:
    job = _job(tmp_path)
    assert steps_begun(job) == ()
    assert next_step(job) == "call"
    with pytest.raises(InputError) as caught:
        check_case({"schema": 1, "case": {"id": "call", "time_zone": "America/Chicago"}})
    assert {problem.column for problem in caught.value.problems} == {"machine", "source"}


def test_check_of_a_call_says_what_it_lacks_and_what_comes_next(tmp_path: Path) -> None:
    _job(tmp_path, '[call]\nwords = "it went off and will not start"\nsafe = true\n')
    text = check_case_folder(tmp_path / "case.toml")
    assert "the exact text on the panel (panel_text)" in text
    assert "whether everybody is safe" not in text
    assert "next: evidence on hold" in text


def test_every_row_tells_who_and_when() -> None:
    rows = [model for name, model in JOB_MODELS.items() if name != "value"]
    assert len(rows) == 11
    assert all(issubclass(model, Row) for model in rows)


def test_times_of_caller_and_panel_stay_apart(tmp_path: Path) -> None:
    both = "[call]\ncaller_time = 2031-03-07T05:00:00\npanel_time = 2031-03-07T04:58:30\n"
    assert minutes_apart(_job(tmp_path, both)) == pytest.approx(-1.5)
    assert minutes_apart(_job(tmp_path, '[call]\ncaller_time = "shortly before five"\n')) is None
    stamped = "[call]\ncaller_time = 2031-03-07T05:00:00-06:00\npanel_time = 2031-03-07T11:00:00Z\n"
    assert minutes_apart(_job(tmp_path, stamped)) == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (
            '[[test]]\npart = "coil"\nresult = "open"\npassed = true\nshows = "cause"\nbears_on = "slide-stuck"',
            "passed",
        ),
        ('[[test]]\npart = "coil"\nresult = "x"\npassed = false\nshows = "in-order"\nbears_on = "slide-stuck"', "not"),
        ('[[test]]\npart = "coil"\nshows = "cause"\nbears_on = "slide-stuck"', "needs a result"),
        ('[[test]]\npart = "coil"\nresult = "open"\nshows = "cause"', "needs bears_on"),
        ('[[part]]\npart = "slide"\nclean = true\ndamage = "scored"', "speak against each other"),
        ('[[part]]\npart = "slide"\nclean = true\nshows = "damage"\nbears_on = "slide-stuck"', "against each other"),
        ('[[part]]\npart = " "', "the text is empty"),
        ('[[part]]\npart = "slide"\nphoto = "../slide.jpg"', "beside the case file"),
        ('[[part]]\npart = "slide"\nbears_on = "slide-stuk"', "did you mean 'slide-stuck'?"),
        ('[[action]]\nwhat = "x"\nsignature = "starts.loaded_repeatedy"', "did you mean 'starts.loaded_repeatedly'?"),
        ('[[action]]\nwhat = "x"\ndone = 2031-04-02\nproven_after = 2031-04-01', "proven_after lies before done"),
        ('[[custody]]\nitem = "valve"\nsha256 = "12"', "64 hexadecimal digits"),
        ('[[hold]]\nitem = "trend"\nkept = true', "unknown key 'kept'"),
        ("[[sample]]\nkind = 'oil'\n[[sample.value]]\nkind = 'oil_iron'\nvalu = 3.0", "Did you mean 'value'?"),
        ('[decision]\nchoice = "go"', "run-with-conditions"),
    ],
)
def test_a_row_that_contradicts_itself_or_is_misspelt_is_refused(tmp_path: Path, table: str, said: str) -> None:
    faults = _faults(tmp_path, table + "\n")
    assert any(said in fault for fault in faults), faults
    assert any("case.toml line" in fault for fault in faults)


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ("[call]\nrunning = true\nisolated = true", "it is said to run, and to be isolated"),
        ('[call]\nsafe = true\ndanger = "smell of gas"', "a danger is told"),
        ('[call]\nrestarts = 0\n[[fact]]\nwhat = "restarts_after_trip"\nvalue = "3"\nsource = "panel"', "panel of 3"),
        ('[decision]\nchoice = "run"\n[[test]]\npart = "winding"\npassed = false', "test 1 (winding) failed"),
        ('[decision]\nchoice = "run"\n[[hold]]\nitem = "relay memory"\nsaved = false', "a start overwrites"),
        ('[[test]]\npart = "coil"\npassed = true\n[[test]]\npart = "Coil"\npassed = false', "not that of test 1"),
        ('[[part]]\npart = "slide"\nclean = true\n[[part]]\npart = "slide"\ndamage = "scored"', "damaged in the other"),
        ('[[hold]]\nitem = "log"\nsaved = true\n[[hold]]\nitem = "Log"\nsaved = false', "as hold 1: saved"),
        ('[[request]]\nwhat = "trend"\nreceived = true\n[[request]]\nwhat = "trend"\nreceived = false', "as request 1"),
    ],
)
def test_entries_that_contradict_each_other_are_told_and_kept(tmp_path: Path, tables: str, said: str) -> None:
    told = [gap for gap in _gaps(tmp_path, tables + "\n") if "contradiction" in gap]
    assert any(said in gap for gap in told), told


def test_entries_that_agree_are_no_contradiction(tmp_path: Path) -> None:
    fine = '[call]\nrunning = false\nisolated = true\nsafe = true\n[[part]]\npart = "slide"\nclean = true\n'
    assert not [gap for gap in _gaps(tmp_path, fine) if "contradiction" in gap]


def test_a_sample_told_before_and_dated_after_is_a_contradiction(tmp_path: Path) -> None:
    head = CALL + "failure = 2031-03-07T05:02:28\n"
    sample = "[[sample]]\nkind = 'oil'\ntaken = 'before'\ntime = 2031-03-09T10:00:00\n"
    assert any("its time says the other" in gap for gap in _gaps(tmp_path, sample, head))
    right = sample.replace("before", "after")
    assert not any("its time says the other" in gap for gap in _gaps(tmp_path, right, head))


def test_custody_that_does_not_join_is_told(tmp_path: Path) -> None:
    chain = (
        "[[custody]]\nitem = 'unload valve'\nby = 'A'\nreceived_from = 'site'\nhow = 'by hand'\n"
        "time = 2031-03-08T10:00:00\n"
        "[[custody]]\nitem = 'unload valve'\nby = 'C'\nreceived_from = 'B'\nhow = 'courier'\n"
        "time = 2031-03-07T10:00:00\n[[part]]\npart = 'slide'\n"
    )
    gaps = [gap for gap in _gaps(tmp_path, chain) if gap.startswith("custody")]
    assert any("received from B, and the last who had it is A" in gap for gap in gaps)
    assert any("received before the hand-over before it" in gap for gap in gaps)
    assert any("custody of slide: no entry" in gap for gap in gaps)
    whole = chain.replace("'B'", "'A'").replace("03-07", "03-09").replace("'slide'", "'unload valve'")
    assert not [gap for gap in _gaps(tmp_path, whole) if gap.startswith("custody")]


def test_files_of_a_hand_over_are_held_against_the_hash_that_its_row_gives(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_bytes(b"as received")
    right = hashlib.sha256(b"as received").hexdigest()
    row = "[[custody]]\nitem = 'log'\nfile = 'log.csv'\nsha256 = '{}'\n"
    assert not custody_hash_gaps(tmp_path / "case.toml", _job(tmp_path, row.format(right)))
    _job(tmp_path, row.format("0" * 64))
    text = check_case_folder(tmp_path / "case.toml")
    assert f"custody: contradiction: custody 1 (log): 'log.csv' has SHA-256 {right}, the row gives {'0' * 64}" in text
    two = _job(tmp_path, row.format(right).replace("'log.csv'", "['log.csv', 'log.csv']"))
    assert [gap.what for gap in custody_hash_gaps(tmp_path / "case.toml", two)] == [
        "one hash stands for several files: a row for each file"
    ]
    gone = _job(tmp_path, row.format(right).replace("log.csv", "gone.csv"))
    assert not custody_hash_gaps(tmp_path / "case.toml", gone)  # a file that is not there is told with the others


def test_a_fact_is_tied_to_a_document_or_said_to_be_tied_to_none(tmp_path: Path) -> None:
    fact = "[[fact]]\nwhat = 'maintenance_done'\nvalue = true\nsource = 'service sheets'\n"
    assert any(gap.startswith("claim facts: missing: fact 1 (maintenance_done)") for gap in _gaps(tmp_path, fact))
    tied = _job(tmp_path, fact + "document = 'papers/sheets.pdf'\npage = '3'\nphoto = 'photos/sheet.jpg'\n")
    assert not [gap for gap in job_gaps(tied) if gap.step == "fact"]
    assert tied.fact[0].written == "service sheets; papers/sheets.pdf, page 3; photograph photos/sheet.jpg"
    named = {(path, key) for path, _, key in named_files(tmp_path / "case.toml", tied)}
    assert {("papers/sheets.pdf", "fact[1].document"), ("photos/sheet.jpg", "fact[1].photo")} <= named


def test_a_follow_up_begins_no_job_of_its_own(tmp_path: Path) -> None:
    later = "[follow_up]\nfindings = 'before/findings.json'\n"
    assert next_step(_job(tmp_path, later)) == "closing"
    assert next_step(_job(tmp_path, later + "[closing]\ncode = 'valve'\n")) is None


def test_every_file_that_the_job_names_is_listed_with_its_key(tmp_path: Path) -> None:
    job = _job(
        tmp_path,
        "[[part]]\npart = 'slide'\nphoto = ['a.jpg', 'b.jpg']\n[follow_up]\nfindings = 'before/findings.json'\n"
        "[[sample]]\nkind = 'oil'\ndocument = 'lab.pdf'\n[[custody]]\nitem = 'log'\nfile = 'log.csv'\n",
    )
    assert job_files(job) == (
        ("a.jpg", "photograph", "part[1].photo"),
        ("b.jpg", "photograph", "part[1].photo"),
        ("lab.pdf", "document", "sample[1].document"),
        ("before/findings.json", "earlier findings", "follow_up.findings"),
        ("log.csv", "document", "custody[1].file"),
    )
