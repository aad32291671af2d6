"""A slide and its controller, many machines at once, for laws of the slide's estimates.

Everything in here is invented. A sound slide moves only while a valve feeds or vents it; a seat that leaks adds a
steady drift; the controller sees the water, not the slide, and holds against whatever the slide does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.slide.windows import Course, Pulses
from forensics.model.points import NS

Floats = NDArray[np.float64]
EPOCH = 1_900_000_000 * NS
STEP_S = 0.25
_START_S, _STOP_S, _REST_S = 30.0, 40.0, 300.0


@dataclass(frozen=True)
class Fleet:
    """Courses of many machines at every ``STEP_S``, shape (machines, steps).

    ``slide`` is what the sensor's element shows (lagged, without noise), ``truth`` the slide itself; ``running`` is of
    all machines, shape (steps,).
    """

    slide: NDArray[np.float32]
    truth: NDArray[np.float32]
    load: NDArray[np.bool_]
    unload: NDArray[np.bool_]
    running: NDArray[np.bool_]
    scan_s: Floats
    gains: tuple[Floats, Floats]


@dataclass(frozen=True)
class Fault:
    """What is wrong from ``from_s`` on: drift in %/min, and what is left of both gains."""

    drift: float = 0.0
    load: float = 1.0
    unload: float = 1.0
    from_s: float = 0.0


def fleet(
    machines: int,
    hours: float,
    seed: int,
    drift: Floats | float = 0.0,
    fault: Fault = Fault(),
    scan_s: float | None = None,
    runs_h: float = 2.0,
) -> Fleet:
    """Run machines of different travel times, pulse widths and scans for some hours, stopping every ``runs_h``."""
    rng = np.random.default_rng(seed)
    n, steps = machines, round(hours * 3600 / STEP_S)
    gain_load, gain_unload = 100.0 / rng.uniform(40, 80, n), 100.0 / rng.uniform(30, 60, n)
    scan = np.full(n, scan_s) if scan_s else rng.uniform(6.0, 30.0, n)
    shortest, longest = rng.uniform(0.5, 1.0, n), rng.uniform(1.5, 3.0, n)
    leak = np.broadcast_to(np.asarray(drift, dtype=float), (n,)) / 60.0
    demand = rng.uniform(40, 70, n)
    swing, period, phase = rng.uniform(5, 15, n), rng.uniform(2400, 7200, n), rng.uniform(0, 6.28, n)
    wander = np.zeros(n)
    water, slide, shown = np.zeros(n), np.zeros(n), np.zeros(n)
    left_load, left_unload, next_scan = np.zeros(n), np.zeros(n), rng.uniform(0, 1, n) * scan
    out = [np.zeros((n, steps), dtype=np.float32) for _ in range(2)]
    on = [np.zeros((n, steps), dtype=bool) for _ in range(2)]
    running = np.zeros(steps, dtype=bool)
    cycle = runs_h * 3600.0
    for k in range(steps):
        t = k * STEP_S
        into = t % cycle
        runs = into < cycle - _REST_S
        running[k] = runs
        if not runs:
            water[:] = 1.5
            left_load[:] = 0
            u = np.full(n, into < cycle - _REST_S + 60.0)
            ld = np.zeros(n, dtype=bool)
        else:
            if k % 40 == 0:
                wander += 10.0 * (-wander / 1800.0) + rng.normal(0, 0.35, n)
            need = demand + swing * np.sin(2 * np.pi * t / period + phase) + wander
            rate = (need - slide) * 2e-4
            water += rate * STEP_S
            due = t >= next_scan
            next_scan = np.where(due, next_scan + scan, next_scan)
            ask = water + 60.0 * rate
            width = np.clip(np.abs(ask) * 3.0, shortest, longest)
            free = into > _START_S
            left_load = np.where(due & (ask > 0.15) & free, width, left_load)
            left_unload = np.where(due & (ask < -0.15) & free, width, left_unload)
            ld, u = left_load > 0, left_unload > 0
            if into < _START_S or into > cycle - _REST_S - _STOP_S:
                ld, u = np.zeros(n, dtype=bool), np.ones(n, dtype=bool)
            left_load, left_unload = left_load - STEP_S, left_unload - STEP_S
        ill = t >= fault.from_s
        move = ld * gain_load * (fault.load if ill else 1.0) - u * gain_unload * (fault.unload if ill else 1.0)
        if runs:
            move = move + leak + (fault.drift / 60.0 if ill else 0.0)
        slide = np.clip(slide + move * STEP_S, 0.0, 100.0)
        shown += (slide - shown) * STEP_S / 2.0
        out[0][:, k], out[1][:, k] = shown, slide
        on[0][:, k], on[1][:, k] = ld, u
    return Fleet(
        slide=out[0],
        truth=out[1],
        load=on[0],
        unload=on[1],
        running=running,
        scan_s=scan,
        gains=(60 * gain_load, -60 * gain_unload),
    )


def course_of(
    made: Fleet, which: int, every_s: float, *, seed: int = 0, noise: float = 0.2, phase_s: float = 0.0
) -> Course:
    """One machine as a logger that polls it sees it."""
    rng = np.random.default_rng(10_000 + 7 * which + seed)
    step = round(every_s / STEP_S)
    index = np.arange(round(phase_s / STEP_S) or int(rng.integers(0, step)), made.slide.shape[1], step)
    t = EPOCH + np.round(index * STEP_S * NS).astype(np.int64)
    v = np.round(made.slide[which, index] + rng.normal(0, noise, len(index)), 1)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], made.running.astype(np.int8), [0]))))
    first = EPOCH + np.round((edges[::2] + 36 / STEP_S) * STEP_S * NS).astype(np.int64)
    last = EPOCH + np.round((edges[1::2] - 5 / STEP_S) * STEP_S * NS).astype(np.int64)
    return Course(
        t=t, v=v.astype(float), interval_s=every_s, by_change=False, first=first, last=last,
        load=pulses_of(made.load[which, index], t, every_s), unload=pulses_of(made.unload[which, index], t, every_s),
    )  # fmt: skip


def pulses_of(state: NDArray[np.bool_], t: NDArray[np.int64], every_s: float) -> Pulses:
    """Spells of a polled command, each sample believed until the next."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], state.astype(np.int8), [0]))))
    until = np.append(t, t[-1] + round(every_s * NS))
    return Pulses(t[edges[::2]], until[edges[1::2]], every_s, True, (t[:1], until[-1:]))
