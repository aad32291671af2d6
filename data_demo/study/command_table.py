"""The command table that a build keeps, and the sequence profile that says so to the workbook.

What a cell says is common practice, with no published source. Words are hydraulic effects (load feeds, unload vents,
bypass shut), not coil states.
"""

from __future__ import annotations

from .builds import SOLENOIDS, STATES, Build


def command_table(build: Build) -> dict[str, dict[str, str]]:
    """Expected effect of each solenoid in each state.

    A cell is one of: off, on, pulses, either, `pulses or on`, `off then on`, `on then off`.

    The words are hydraulic effects (load feeds, unload vents, bypass shut), not coil states.
    """
    table = {state: dict.fromkeys(SOLENOIDS, "off") for state in STATES}
    motor = {"rest": "off", "coast-down": "off"}
    for state in STATES:
        table[state]["motor"] = motor.get(state, "on")
    for state in ("load", "hold", "unload", "stop"):
        table[state]["bypass_solenoid"] = "on"
    table["start"]["bypass_solenoid"] = "on" if build.bypass == "at-start" else "off then on"
    table["stop"]["bypass_solenoid"] = "on then off" if build.bypass_early_s else "on"
    _slide_cells(table, build)
    for state in STATES:
        for role in SOLENOIDS:
            if role not in build.solenoids:
                table[state][role] = "either"
    return table


def _slide_cells(table: dict[str, dict[str, str]], build: Build) -> None:
    for state in ("start", "stop", "coast-down"):
        table[state]["unload_solenoid"] = "on"
    table["rest"]["unload_solenoid"] = "either" if build.unload_energised_unloads else "on"
    table["load"]["load_solenoid"] = "pulses"
    table["unload"]["unload_solenoid"] = "pulses or on"
    if build.capacity == "steps":
        table["load"]["load_solenoid"] = "on"
        table["hold"]["load_solenoid"] = table["unload"]["load_solenoid"] = "either"  # off on the lowest step
        table["unload"]["unload_solenoid"] = "either"
        table["hold"]["unload_solenoid"] = table["load"]["unload_solenoid"] = "either"
    elif build.capacity == "three-way":
        table["hold"]["load_solenoid"] = table["unload"]["load_solenoid"] = "pulses"
        table["load"]["load_solenoid"] = "pulses or on"
    elif build.hold == "load-on":
        table["hold"]["load_solenoid"] = "on"
        table["unload"]["load_solenoid"] = "either"


def profile_toml(build: Build) -> str:
    """The sequence profile of a build as text, in the form in which the workbook reads profiles."""
    ways = (
        ("load_solenoid", build.load_energised_loads, "energise-to-load", "de-energise-to-load"),
        ("unload_solenoid", build.unload_energised_unloads, "energise-to-unload", "de-energise-to-unload"),
        ("bypass_solenoid", build.bypass_energised_shuts, "energise-to-shut", "energise-to-open"),
    )
    lines = [
        "schema = 1",
        f'id = "{build.id}"',
        f'title = "{build.title}"',
        'source = "invented machine"',
        "",
        "[polarity]",
    ]
    lines += [f'{role} = "{usual if straight else other}"' for role, straight, usual, other in ways]
    lines += [
        f"has_bypass = {str(build.has_bypass).lower()}",
        f"has_pump_down = {str(build.pump_down).lower()}",
        "",
        "[times]",
    ]
    times = {
        "travel_load_s": build.travel_load_s,
        "travel_unload_s": build.travel_unload_s,
        "unload_before_stop_s": 10.0,
        "bypass_release_tolerance_s": max(2.0, build.bypass_early_s + 2.0),
        "bypass_delay_after_start_s": 45.0,
        "unload_after_stop_s": 10.0,
        "anti_recycle_s": 300.0,
        "coast_down_s": 60.0,
    }
    lines += [f"{name} = {value:.1f}" for name, value in times.items()]
    lines += ["", "[build]", *_build_lines(build)]
    for state, cells in command_table(build).items():
        lines += ["", f"[states.{state}]", *(f'{role} = "{word}"' for role, word in cells.items())]
    return "\n".join(lines) + "\n"


def _build_lines(build: Build) -> list[str]:
    """What moves the capacity, by how many valves and against what."""
    kinds = {"pulses": "slide", "three-way": "slide", "speed-and-slide": "slide-and-speed"}
    lines = [
        f'capacity = "{kinds.get(build.capacity, build.capacity)}"',
        f'valves = "{"three-way" if build.capacity == "three-way" else "load-and-unload"}"',
        f'force = "{"spring-loads" if build.force == "spring-loads" else "oil-loads"}"',
        f"oil_pump = {str(build.oil_pump).lower()}",
        f"economiser = {str(build.economiser).lower()}",
        f'check_valve = "{build.check_valve}"',
    ]
    if build.steps:
        lines.append(f"steps_percent = [{', '.join(f'{step:.1f}' for step in build.steps)}]")
    return lines
