"""Make the saturation tables that ship, from the property library.

Run from the project root after a new release of the library, and read the differences before keeping them::

    python -m forensics.saturation_tables
"""

from __future__ import annotations

from pathlib import Path

from forensics.refrigerants.catalogue import TABLES, known_refrigerants
from forensics.refrigerants.properties import compute, superheat_nodes_k
from forensics.rules import FOLDER


def main() -> None:
    """Write one table per refrigerant of ``rules/refrigerants.toml``."""
    (FOLDER / TABLES).mkdir(exist_ok=True)
    for name, entry in known_refrigerants().items():
        table = compute(entry.library)
        header = ["pressure_kpa", "bubble_c", "dew_c", *(f"s_{above_k:.4f}" for above_k in superheat_nodes_k())]
        lines = [f"# {name}; {table.origin}; entropy of the vapour in kJ/(kg K) at the superheat (K) that heads it"]
        lines.append(",".join(header))
        for kpa, bubble, dew, entropy in zip(
            table.pressure_kpa, table.bubble_c, table.dew_c, table.entropy, strict=True
        ):
            numbers = [f"{kpa:.7f}", f"{bubble:.5f}", f"{dew:.5f}", *(f"{value:.7f}" for value in entropy)]
            lines.append(",".join(numbers))
        Path(FOLDER / TABLES / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
