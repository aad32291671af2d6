"""Quantities inside sentences: each converted by its own kind, quoted text untouched, nothing coarser than it was."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from importlib import resources
from typing import Any

import pytest
from finished_cases import findings
from hypothesis import given
from hypothesis import strategies as st

from forensics.report.words.sentences import in_display, told_in

CANONICAL = re.compile(r"\d\s?(?:kPa|degC|°C|K|mm/s|mm2)\b|\bbar\b|\bkelvin\b")


@pytest.mark.parametrize(
    ("canonical", "shown"),
    [
        ("Discharge temperature 95.3 degC (limit 105 degC).", "Discharge temperature 203.5 °F (limit 221 °F)."),
        ("It stood at 100 degC.", "It stood at 212 °F."),
        ("The oil was at -40 degC.", "The oil was at -40 °F."),
        ("It fell by 5 K (limit 2.5 K).", "It fell by 9 °F (limit 4.5 °F)."),
        ("superheat (dew) -1.8 K", "superheat (dew) -3.2 °F"),
        ("It read 101.325 kPa abs.", "It read 14.6959 psia."),
        ("It read 2500 kPa absolute.", "It read 362.6 psia."),
        ("a difference of 100 kPa", "a difference of 14.5 psi"),
        ("a leak of 60 mm2 leaves 7 to 31 kPa", "a leak of 0.093 in² leaves 1 to 4.5 psi"),
        ("velocity 7.1 mm/s", "velocity 0.280 in/s"),
        ("steps of 15 to 20 K within a sample", "steps of 27 to 36 °F within a sample"),
        ("it swings between 3 and 5 K", "it swings between 5.4 and 9 °F"),
        ("trip at 25 ± 1 degC", "trip at 77 ± 1.8 °F"),
        ("it climbs by 1 to 5 K a minute", "it climbs by 1.8 to 9 °F a minute"),
        ("up to 1000 kPa/s", "up to 145 psi/s"),
        ("warms by 2.5 degC/min", "warms by 4.5 °F/min"),
        ("median +0.3 kPa, known to 10.0 kPa", "median +0.04 psi, known to 1.45 psi"),
        ("limit 1.23e+03 kPa", "limit 178 psi"),
    ],
)
def test_each_kind_of_quantity(canonical: str, shown: str) -> None:
    """Factors: NIST SP 811 appendix B.8 (psi 6.894757 kPa, inch 25.4 mm); 0 degC = 32 degF, 1 K = 1.8 degF."""
    assert in_display(canonical, "inch-pound") == shown


def test_a_difference_of_temperatures_is_never_to_be_taken_for_a_temperature() -> None:
    assert in_display("2 to 3 K was seen.", "inch-pound") == "3.6 to 5.4 °F difference was seen."
    assert in_display("10 K or more above saturation", "inch-pound") == "18 °F or more above saturation"
    assert in_display("It rose. 4 K was the limit.", "inch-pound") == "It rose. 7.2 °F difference was the limit."


@pytest.mark.parametrize(
    "text",
    [
        "'HP trip 2300 kPa' was reported at the stop",
        "'sensor can't read below 3 K' stands in the list",
        "case-12 K, R134a 3 Kt, 12 Kelvinbridge, 5 kPa/x, row 4.12.3 K",
        "12 of 40 readings, 3 s, 50 Hz, 20 %, 117 A, 460 V, 30 kW, 1500 rpm",
        "no number here: kPa, degC, K",
    ],
)
def test_what_is_quoted_or_no_quantity_stays(text: str) -> None:
    assert in_display(text, "inch-pound") == text
    assert in_display(text, "si") == text


def test_source_texts_stay_and_the_sentence_around_them_is_converted() -> None:
    told = "observation 1 reads Oil sump 12 K cold; the oil fell by 12 K, column CH1 'OilP 5 kPa' by 5 kPa"
    texts = frozenset({"Oil sump 12 K cold", "CH1 'OilP 5 kPa'", "12 K"})
    shown = in_display(told, "inch-pound", source_texts=texts)
    expected = "observation 1 reads Oil sump 12 K cold; the oil fell by 21.6 °F, column CH1 'OilP 5 kPa' by 0.7 psi"
    assert shown == expected


def test_si_changes_signs_of_units_only() -> None:
    assert in_display("at 95.3 degC by 2.0 K, 5 kPa, 60 mm2", "si") == "at 95.3 °C by 2.0 K, 5 kPa, 60 mm²"
    assert in_display("for 5.2e+02 min", "si") == "for 520 min"


SCALES = {"K": (1.8, 0.0), "degC": (1.8, 32.0), "kPa": (1 / 6.894757, 0.0), "mm/s": (1 / 25.4, 0.0)}


@given(
    unit=st.sampled_from(sorted(SCALES)),
    digits=st.integers(-99_999, 99_999),
    places=st.integers(0, 3),
    sign=st.booleans(),
)
def test_back_and_forth_gives_the_digits_that_were_printed(unit: str, digits: int, places: int, sign: bool) -> None:
    """Law: what is shown, turned back, rounds to the canonical number with its sign; nothing has none."""
    printed = f"{digits / 10**places:{'+' if sign else ''}.{places}f}"
    shown = in_display(f"changed by {printed} {unit}", "inch-pound")
    number = re.search(r"by ([+-]?[\d.]+) ", shown)
    assert number is not None
    factor, offset = SCALES[unit]
    back = (float(number[1]) - offset) / factor
    assert abs(back - float(printed)) <= 0.5 * 10.0 ** (-places) * 1.001 + 1e-6 * abs(back)
    if unit != "degC":
        assert number[1].startswith("+") == (printed.startswith("+") and float(number[1]) > 0)
        assert not (number[1].startswith("-") and float(number[1]) == 0)


@given(low=st.integers(-300, 3000), more=st.integers(1, 500), unit=st.sampled_from(sorted(SCALES)))
def test_order_is_kept(low: int, more: int, unit: str) -> None:
    """Law: a larger number stays larger, so that a value keeps its side of a limit."""
    shown = in_display(f"changed by {low / 10} to {(low + more) / 10} {unit}", "inch-pound")
    pair = re.search(r"by (-?[\d.]+) to (-?[\d.]+) ", shown)
    assert pair is not None
    assert float(pair[1]) <= float(pair[2])


def rule_texts() -> Iterator[tuple[str, str]]:
    """Every text of the rules that a report can print."""

    def texts(value: Any, key: str) -> Iterator[str]:
        if isinstance(value, str) and key not in {"unit", "name", "kind", "id"}:
            yield value
        elif isinstance(value, dict):
            for name, inner in value.items():
                yield from texts(inner, name)
        elif isinstance(value, list):
            for inner in value:
                yield from texts(inner, key)

    folder = resources.files("forensics.rules")
    for path in (p for name in ("limits", "checks", "modes") for p in folder.joinpath(name).iterdir()):
        if path.name.endswith(".toml"):
            for text in texts(tomllib.loads(path.read_text(encoding="utf-8")), ""):
                yield path.name, text


def test_no_text_of_the_rules_keeps_a_canonical_unit() -> None:
    left = [(name, shown) for name, text in rule_texts() if CANONICAL.search(shown := in_display(text, "inch-pound"))]
    assert left == []
    assert sum("°F" in in_display(text, "inch-pound") for _, text in rule_texts()) > 20


def test_no_list_of_numbers_in_the_rules_shares_one_temperature_unit() -> None:
    """A number without a unit is never converted: beside a converted one it would be wrong."""
    shared = re.compile(r"\d,? (?:(?:alarm|trip|up|then|and)\b[^.;()\d]*)\d[\d.]*(?: to \d[\d.]*)? degC")
    found = [(name, text) for name, text in rule_texts() if shared.search(text)]
    assert found == []


def test_findings_change_in_their_sentences_only() -> None:
    words = {"statement": "It fell by 5 K.", "why_not": "needs 20 kPa", "basis": "'5 K' is written; 5 K above"}
    made = findings()
    plain = made.model_copy(update={"findings": [made.findings[0].model_copy(update=words)]})
    told = told_in(plain, lambda text: in_display(text, "inch-pound"))
    assert told.findings[0].statement == "It fell by 9 °F."
    assert told.findings[0].why_not == "needs 2.9 psi"
    assert told.findings[0].basis == "'5 K' is written; 9 °F above"
    assert told.findings[0].value == plain.findings[0].value
    assert told.sources == plain.sources
    assert plain.findings[0].statement == "It fell by 5 K."


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("it holds -0 %.", "it holds 0 %."),
        ("rose by +0.00 (-0.00 to +0.02)", "rose by 0.00 (0.00 to +0.02)"),
        ("+0.00 kPa, known to 1.5 kPa", "0.00 kPa, known to 1.5 kPa"),
        ("at -0 to 1397 rpm", "at 0 to 1397 rpm"),
        ("slope -0.05, from -06:00 on", "slope -0.05, from -06:00 on"),
    ],
)
def test_nothing_has_no_sign(said: str, shown: str) -> None:
    assert in_display(said, "si") == shown
