"""Every key, word and unit of a rule file is known: what is misspelled is refused with a clear error, never ignored."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from forensics.errors import InputError
from forensics.hypotheses import read_modes
from forensics.hypotheses.measurements import read_measurements
from forensics.hypotheses.scale import read_scale
from forensics.intake.draft.suggest import read_aliases
from forensics.intake.lexicon import read_words
from forensics.machine.trip_words import read_trip_words
from forensics.refrigerants.catalogue import known_refrigerants
from forensics.report.stories.plan import read_plans
from forensics.report.words.plain import plain_words
from forensics.results.follow_up import read_follow_up_rules
from forensics.rules import FOLDER, read_checks, read_limits
from forensics.rules.builds import read_build_rules
from forensics.rules.detectability import read_short_events
from forensics.rules.papers_forms import read_paper_rules
from forensics.rules.plausible import plausible
from forensics.rules.profiles import Profile, read_profile, shipped_profiles
from forensics.rules.start_duty import read_start_duty
from forensics.rules.strict import read_form
from forensics.sites.iso14224 import read_coding

MISSPELLED = "no_such_key"
PROFILE = FOLDER / "sequences" / "pulsed-slide-bypass.toml"


def _modes() -> object:
    known = read_checks()
    read_modes.__globals__["_read"].cache_clear()
    try:
        return read_modes(known)
    finally:
        read_modes.__globals__["_read"].cache_clear()


def _uncached(reader: Any) -> Callable[[], object]:
    return lambda: reader.__wrapped__()


READERS: Mapping[str, Callable[[], object]] = {
    "aliases.toml": _uncached(read_aliases),
    "builds.toml": _uncached(read_build_rules),
    "iso14224.toml": _uncached(read_coding),
    "measurements.toml": _uncached(read_measurements),
    "refrigerants.toml": _uncached(known_refrigerants),
    "short_events.toml": _uncached(read_short_events),
    "start_duty.toml": _uncached(read_start_duty),
    "trip_words.toml": _uncached(read_trip_words),
    "weighing.toml": _uncached(read_scale),
    "words.toml": _uncached(read_words),
    "checks": _uncached(read_checks),
    "limits": _uncached(read_limits),
    "modes": _modes,
    "sequence_template.toml": lambda: read_form(Profile, FOLDER / "sequence_template.toml"),
    "sequences": lambda: [read_profile(name, FOLDER) for name in shipped_profiles()],
    "plausible.toml": _uncached(plausible),
    "report": lambda: (plain_words.__wrapped__(), read_plans.__wrapped__()),
    "papers": lambda: (read_paper_rules.__wrapped__(), read_follow_up_rules.__wrapped__()),
}


def _tables(table: Mapping[str, Any], place: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    yield place
    for key, item in table.items():
        if isinstance(item, dict):
            yield from _tables(item, (*place, key))
        elif isinstance(item, list):
            for at, one in enumerate(item):
                if isinstance(one, dict):
                    yield from _tables(one, (*place, key, at))


def _reader_of(path: Path) -> Callable[[], object]:
    return READERS[path.relative_to(FOLDER).parts[0]]


FILES = sorted(FOLDER.rglob("*.toml"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(FOLDER).as_posix())
def test_an_unknown_key_in_any_table_of_any_rule_file_is_refused(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text, loads, read = path.read_text(encoding="utf-8"), tomllib.loads, _reader_of(path)
    read()
    places = list(_tables(loads(text)))
    # one table of each kind where many are alike (a table a limit, a table a check)
    chosen = places if len(places) < 12 else [*places[:3], *places[-2:]]
    accepted = []
    for place in chosen:

        def spoiled(given: str, place: tuple[str | int, ...] = place) -> dict[str, Any]:
            tables = loads(given)
            if given == text:
                table: Any = tables
                for part in place:
                    table = table[part]
                table[MISSPELLED] = 1
            return tables

        monkeypatch.setattr(tomllib, "loads", spoiled)
        try:
            read()
        except InputError as fault:
            told = str(fault)
            if path.name not in told or not any(word in told for word in (MISSPELLED, "table", "needs exactly")):
                accepted.append((place, told))
        else:
            accepted.append((place, "accepted"))
    assert accepted == []


def _profile(folder: Path, old: str, new: str) -> str:
    """What reading the shipped profile with one change is refused with."""
    text = PROFILE.read_text(encoding="utf-8")
    assert old in text
    (folder / "mine.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_profile("mine.toml", folder)
    told = str(caught.value)
    assert "mine.toml" in told
    return told


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('load_solenoid = "pulses"', 'load_solenoid = "plses"', r"states\.load\.load_solenoid: 'plses'.*'pulses'"),
        ('unload_solenoid = "either"', 'unloadsolenoid = "either"', r"'unloadsolenoid'.*'unload_solenoid'"),
        ("schema = 1", "schema = 99", r"schema"),
        ('motor = "off"', 'motor = "pulses"', r"states\.rest\.motor: 'pulses'"),
        ("[states.hold]", "[states.holding]", r"'holding'.*'hold'"),
        ("[states.hold]", "[states.unknown]", r"'unknown' is no operating state"),
        ("has_bypass", "has_by_pass", r"unknown key 'has_by_pass'.*has_bypass"),
        ("travel_load_s = 60.0", "travel_load_s = -1.0", r"travel_load_s"),
        ("travel_load_s = 60.0", "travel_load_s = nan", r"travel_load_s"),
        ("energise-to-shut", "energise-to-close", r"bypass_solenoid"),
        ('load_solenoid = "pulses"', "load_solenoid = 1", r"states\.load\.load_solenoid: '1'"),
    ],
)
def test_a_profile_with_a_word_that_is_not_known_is_refused(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert re.search(told, _profile(tmp_path, old, new), re.DOTALL)


def test_all_faults_of_a_profile_are_told_at_once(tmp_path: Path) -> None:
    text = PROFILE.read_text(encoding="utf-8")
    text = (
        text.replace('"pulses"', '"plses"').replace("schema = 1", "schema = 2").replace("[states.hold]", "[states.h]")
    )
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_profile("mine.toml", tmp_path)
    told = str(caught.value)
    assert all(word in told for word in ("plses", "schema", "'h'"))


def test_every_profile_of_the_shared_cases_is_read(shared: Path) -> None:
    """Profiles written by others, as drawings of their machines gave them."""
    paths = sorted(path for folder in shared.glob("incidents*") for path in folder.glob("cases/*/sequence.toml"))
    if not paths:
        pytest.skip("no sequence profile in ../shared")
    for path in paths:
        assert read_profile(path.name, path.parent).id


def _spoiled_limits(monkeypatch: pytest.MonkeyPatch, **changed: object) -> str:
    """What reading the limits with one of them changed is refused with."""
    loads = tomllib.loads
    first = (FOLDER / "limits" / "oil.toml").read_text(encoding="utf-8")

    def spoiled(text: str) -> dict[str, Any]:
        table = loads(text)
        if text == first:
            table["difference_low"].update(changed)
        return table

    monkeypatch.setattr(tomllib, "loads", spoiled)
    with pytest.raises(InputError) as caught:
        _uncached(read_limits)()
    return str(caught.value)


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("unit", "banana", "unit 'banana' is not one of: %"),
        ("unit", 1, "unit '1' is not one of"),
        ("kind", "guess", "kind must be one of nameplate"),
        ("basis", " ", "basis is empty"),
        ("value", "100", "value must be a number"),
        ("value", True, "value must be a number"),
        ("value", float("nan"), "finite"),
        ("values", 1.0, "unknown key values"),
    ],
)
def test_a_limit_that_is_no_limit_is_refused(
    monkeypatch: pytest.MonkeyPatch, key: str, value: object, told: str
) -> None:
    said = _spoiled_limits(monkeypatch, **{key: value})
    assert told in said
    assert "limits/oil.toml" in said
    assert "difference_low" in said


@pytest.mark.parametrize(
    ("needs", "told"),
    [
        ([{"roles": ["oil_presure"]}], "'oil_presure' is not a role"),
        ([{"roles": ["oil_pressure"], "longest_s": 5}], "unknown key 'longest_s'"),
        ([{"roles": ["oil_pressure"], "recorded": ["mean"]}], "'mean' is not a record type"),
        ([{"roles": ["oil_pressure"], "longest_interval_s": 0}], "longest_interval_s"),
        ([{"longest_interval_s": 5}], "a need is a table with roles"),
        ("oil_pressure", "needs is a list of tables"),
    ],
)
def test_a_check_whose_needs_are_not_known_is_refused(
    monkeypatch: pytest.MonkeyPatch, needs: object, told: str
) -> None:
    loads = tomllib.loads
    first = (FOLDER / "checks" / "oil.toml").read_text(encoding="utf-8")

    def spoiled(text: str) -> dict[str, Any]:
        table = loads(text)
        if text == first:
            table["difference_low_at_failure"]["needs"] = needs
        return table

    monkeypatch.setattr(tomllib, "loads", spoiled)
    with pytest.raises(InputError) as caught:
        _uncached(read_checks)()
    assert told in str(caught.value)
    assert "checks/oil.toml" in str(caught.value)
