"""How a machine is built: the words of the case file and of sequence profiles."""

from __future__ import annotations

from enum import StrEnum


class CapacityKind(StrEnum):
    """What moves the capacity of a machine."""

    SLIDE = "slide"
    STEPS = "steps"
    SPEED = "speed"
    SLIDE_AND_SPEED = "slide-and-speed"


class CheckValve(StrEnum):
    """On which side of the sensor of the discharge pressure the check valve stands, seen from the rotors."""

    AFTER_SENSOR = "after-discharge-sensor"
    BEFORE_SENSOR = "before-discharge-sensor"


class Evaporator(StrEnum):
    """How an evaporator is fed."""

    FLOODED = "flooded"
    FALLING_FILM = "falling-film"
    DRY_EXPANSION = "dry-expansion"


class Condenser(StrEnum):
    """What takes the heat of a condenser."""

    WATER = "water"
    AIR = "air"
    EVAPORATIVE = "evaporative"
