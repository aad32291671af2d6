"""How a build follows its load: pulses of a slide, a three-way valve, steps, speed. One plan a control period."""

from __future__ import annotations

from dataclasses import dataclass

from .builds import Build

DEAD_BAND_K = 0.35
SHORTEST_PULSE_S = 0.3
LONGEST_PULSE_S = 3.0
LEAST_HERTZ_SHARE = 0.5
_STEP_DWELL_S = 75.0


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a control period: seconds, the two solenoids, state, and speed over rated speed.

    Where it is `latched` the coil stays energised and its valve passes nothing more.
    """

    seconds: float
    load: bool
    unload: bool
    state: str
    speed: float = 1.0
    latched: bool = False


@dataclass(slots=True)
class Capacity:
    """Chooses what the solenoids and the drive do next, from the error of the leaving water.

    Attributes
    ----------
    speed
        Speed asked for, over rated speed.
    step
        Index of the step in force.
    """

    build: Build
    speed: float = 1.0
    step: int = 0
    step_age_s: float = 0.0

    def begin(self) -> None:
        """A new start."""
        self.speed, self.step, self.step_age_s = (LEAST_HERTZ_SHARE if self.build.has_drive else 1.0), 0, 0.0

    def plan(self, error_k: float, slide_pc: float) -> tuple[Part, ...]:
        """Parts of the next control period; a positive error asks for more."""
        kind = self.build.capacity
        if kind == "three-way":
            return self._duty(error_k)
        if kind == "steps":
            return self._steps(error_k, slide_pc)
        if kind == "speed":
            return self._speeds(error_k)
        if kind == "speed-and-slide":
            if slide_pc < 97.0 and error_k > -DEAD_BAND_K:
                return self._pulses(max(error_k, 2.5))
            if self.speed > LEAST_HERTZ_SHARE + 0.01 or error_k > -DEAD_BAND_K:
                return self._speeds(error_k)
        return self._pulses(error_k)

    def command_pc(self, slide_pc: float) -> float:
        """Capacity asked for, %, as the controls tell it."""
        if self.build.capacity == "steps":
            return self.build.steps[self.step]
        return 100.0 * self.speed if self.build.has_drive else slide_pc

    def _pulses(self, error_k: float) -> tuple[Part, ...]:
        period, size = self.build.pulse_period_s, abs(error_k)
        if size <= DEAD_BAND_K:
            return (
                Part(period, load=self._held(), unload=False, state="hold", speed=self.speed, latched=self._held()),
            )
        width = min(LONGEST_PULSE_S, round(SHORTEST_PULSE_S + 0.9 * (size - DEAD_BAND_K), 1), 0.8 * period)
        if error_k < -2.5:
            width = period
        more = error_k > 0.0
        if self.build.hold == "load-on" and more:  # the circuit of the coil opens and closes: one shot
            gap = Part(1.0, load=False, unload=False, state="load", speed=self.speed)
            shot = Part(width, load=True, unload=False, state="load", speed=self.speed)
            return (
                gap,
                shot,
                Part(
                    max(period - width - 1.0, 0.5),
                    load=True,
                    unload=False,
                    state="hold",
                    speed=self.speed,
                    latched=True,
                ),
            )
        pulse = Part(width, load=more, unload=not more, state="load" if more else "unload", speed=self.speed)
        if width >= period:
            return (pulse,)
        return (
            pulse,
            Part(period - width, load=self._held(), unload=False, state="hold", speed=self.speed, latched=self._held()),
        )

    def _held(self) -> bool:
        return self.build.hold == "load-on"

    def _duty(self, error_k: float) -> tuple[Part, ...]:
        period = self.build.pulse_period_s
        even = self.build.travel_load_s / (self.build.travel_load_s + self.build.travel_unload_s)
        share = max(0.08, min(0.92, even + 0.14 * error_k)) if abs(error_k) > DEAD_BAND_K else even
        state = "hold" if share == even else "load" if share > even else "unload"
        return (
            Part(share * period, load=True, unload=False, state=state),
            Part((1.0 - share) * period, load=False, unload=True, state=state),
        )

    def _steps(self, error_k: float, slide_pc: float) -> tuple[Part, ...]:
        period = 10.0
        self.step_age_s += period
        last = len(self.build.steps) - 1
        state = "hold"
        if self.step_age_s >= _STEP_DWELL_S and abs(error_k) > 1.0:
            moved = min(last, max(0, self.step + (1 if error_k > 0.0 else -1)))
            if moved != self.step:
                state = "load" if moved > self.step else "unload"
                self.step, self.step_age_s = moved, 0.0
        return (Part(period, load=self.step > 0, unload=self.step == 0, state=state),)

    def step_slide_pc(self) -> float:
        """Slide position that the step in force holds."""
        least = 100.0 * self.build.minimum_share
        return max(0.0, (self.build.steps[self.step] - least) / (100.0 - least) * 100.0)

    def _speeds(self, error_k: float) -> tuple[Part, ...]:
        period = 5.0
        change = 0.0 if abs(error_k) <= DEAD_BAND_K else max(-0.03, min(0.03, 0.012 * error_k))
        before, self.speed = self.speed, max(LEAST_HERTZ_SHARE, min(1.0, self.speed + change))
        state = "hold" if self.speed == before else "load" if self.speed > before else "unload"
        return (Part(period, load=False, unload=False, state=state, speed=self.speed),)
