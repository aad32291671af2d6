"""All failure modes there are: those of the contract, and those that are a file of the rules alone."""

from __future__ import annotations

from forensics.model.vocabulary import MODE_FILES, MODE_ID, Mode


def known_modes() -> tuple[Mode, ...]:
    """Every mode: those of the contract, then those that are a file alone, by name."""
    files = sorted(path.stem for path in MODE_FILES.glob("*.toml") if MODE_ID.match(path.stem))
    return tuple(dict.fromkeys((*Mode, *(Mode(name) for name in files))))
