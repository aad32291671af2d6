"""The guide's "Add or change a mode": one file, no code; it runs through report, sites and coding."""

from __future__ import annotations

import json

from howto.conftest import House

ID, TITLE = "made-for-a-test", "a cause that somebody added as a file"


def test_a_mode_that_is_a_file_alone_runs_through_report_sites_and_coding(house: House) -> None:
    shipped = (house.rules / "modes" / "unload-path-failed.toml").read_text(encoding="utf-8").splitlines()
    lines = [f'title = "{TITLE}"' if line.startswith("title = ") else line for line in shipped]
    # what is bound to the other mode's name stays with it
    lines = [line for line in lines if not line.startswith(("plain = ", "leads_to = ", "stands_for = "))]
    house.add(f"forensics/rules/modes/{ID}.toml", "\n".join(lines) + "\n")
    case = house.cases / "loaded-starts" / "case.toml"
    out = house.root / "out"
    house.forensics("report", case, "--out", out / "one")
    found = json.loads((out / "one" / "findings.json").read_text(encoding="utf-8"))
    (row,) = [h for h in found["hypotheses"] if h.get("mode") == ID]
    (like,) = [h for h in found["hypotheses"] if h.get("mode") == "unload-path-failed"]
    assert row["for"], "the signs of the file speak in this case"
    assert set(row["for"]) <= set(like["for"])  # beside them stands what was seen by hand of the other
    assert TITLE in (out / "one" / "report.html").read_text(encoding="utf-8")
    house.forensics("sites", out, "--out", house.root / "sites")
    assert "1 cases of 1 machines" in house.run(
        "-c",
        "import sys; from pathlib import Path\n"
        "from forensics.sites.gather import gather\nfrom forensics.sites import tables\n"
        f"found = gather([Path({str(out)!r})])\n"
        "print(len(found.cases), 'cases of', len(found.machines), 'machines')\n"
        "print(tables.modes_table(found).to_string())\n",
    )
    coded = house.run(
        "-c",
        "from forensics.model.vocabulary import Mode, known_modes\n"
        "from forensics.sites.iso14224 import NOT_CODED, read_coding\n"
        f"mode = Mode({ID!r})\nassert mode in known_modes()\n"
        "print(read_coding()[0].get(mode.value, NOT_CODED).code)",
    )
    assert coded.strip() == "UNK"


def test_a_row_of_coding_for_such_a_mode_is_taken(house: House) -> None:
    text = (house.rules / "modes" / "sequence-error.toml").read_text(encoding="utf-8")
    house.add(f"forensics/rules/modes/{ID}.toml", text)
    house.change(
        "forensics/rules/iso14224.toml",
        "drive-fault = {",
        f'{ID} = {{ code = "UST", mechanism = "4", cause = "not told" }}\ndrive-fault = {{',
    )
    assert "UST" in house.run(
        "-c", f"from forensics.sites.iso14224 import read_coding\nprint(read_coding()[0][{ID!r}].code)"
    )


def test_a_mode_that_names_no_check_is_refused_with_its_file(house: House) -> None:
    text = (house.rules / "modes" / "sequence-error.toml").read_text(encoding="utf-8")
    house.add(f"forensics/rules/modes/{ID}.toml", text.replace("sequence.no_unload_before_stop", "sequence.no_such"))
    said = house.run(
        "-c",
        "from forensics.errors import InputError\nfrom forensics.hypotheses.modes import read_modes\n"
        "from forensics.rules import read_checks\n"
        "try:\n    read_modes(read_checks())\nexcept InputError as fault:\n    print(fault)",
    )
    assert f"{ID}.toml" in said
    assert "sequence.no_such" in said
