"""Protections of the controls: what opens the contactor, after how long, and with which text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .builds import Build
from .effects import Effects
from .plant import Plant

HEAD_C = {"water": 52.0, "air": 67.0, "evaporative": 50.0}
DISCHARGE_C = 100.0
AMMONIA_DISCHARGE_C = 112.0
SUCTION_C = -5.0
WATER_C = 2.5
WINDING_C = 120.0
OIL_KPA = 90.0
PUMPED_OIL_KPA = 130.0


@dataclass(slots=True)
class Protections:
    """Timers of the protections; every limit is an invented setting of the usual order."""

    build: Build
    _since: dict[str, float] = field(default_factory=dict)

    def clear(self) -> None:
        """Forget what has begun to count."""
        self._since.clear()

    def pending(self) -> bool:
        """Whether any of them counts."""
        return any(value > 0.0 for value in self._since.values())

    def due(self, plant: Plant, fx: Effects, dt: float, *, age_s: float, pumping: bool) -> str:
        """Text of the first protection whose time is over after another `dt` seconds, or empty.

        Parameters
        ----------
        age_s
            Seconds since the motor was switched on.
        pumping
            In pump-down, when suction and oil are not watched.
        """
        seen = self._seen(plant, fx)
        amps = plant.amps
        ones = [amps * k for k in fx.phase_amps]
        spread = (max(ones) - min(ones)) / max(amps, 0.1)
        late = age_s > 60.0 and not pumping
        running = age_s > 10.0
        oil_least = PUMPED_OIL_KPA if self.build.oil_pump else OIL_KPA
        hot = AMMONIA_DISCHARGE_C if self.build.refrigerant == "R717" else DISCHARGE_C
        checks = (
            ("Motor overload", 2.0, running and amps > 2.2),
            ("Motor overload", 25.0, running and amps > 1.35),
            ("Motor overload", 150.0, running and amps > 1.15),
            ("Phase current imbalance", 5.0, running and spread > 0.4),
            ("Low oil differential", 14.0, age_s > 45.0 and not pumping and seen["oil"] < oil_least),
            ("Oil filter differential high", 20.0, late and fx.plug_kpa > 200.0 and self._filter(plant, fx) > 200.0),
            ("High discharge temperature", 2.0, seen["td"] > hot),
            ("High condensing pressure", 1.0, seen["tc"] > HEAD_C[self.build.condenser]),
            ("Low suction pressure", 40.0, late and seen["te"] < SUCTION_C),
            ("Low suction pressure", 3.0, late and seen["te"] < SUCTION_C - 12.0),
            ("Chilled water low temperature", 4.0, plant.water_out < WATER_C),
            ("Motor winding temperature", 3.0, plant.winding_c > WINDING_C),
        )
        due = ""
        for number, (text, limit_s, true) in enumerate(checks):
            key = f"{number}"
            self._since[key] = self._since.get(key, 0.0) + dt if true else 0.0
            if true and self._since[key] >= limit_s and not due:
                due = text
        return due

    def _filter(self, plant: Plant, fx: Effects) -> float:
        return (22.0 + fx.plug_kpa) * min(1.2, plant.oil_kpa / 200.0 + 0.6)

    def _seen(self, plant: Plant, fx: Effects) -> Mapping[str, float]:
        offsets, values = fx.sensor_offsets, fx.sensor_values
        dew = plant.fluid.dew
        ps = values.get("suction_pressure", plant.ps + offsets.get("suction_pressure", 0.0))
        return {
            "oil": plant.oil_kpa,
            "td": values.get("discharge_temperature", plant.td + offsets.get("discharge_temperature", 0.0)),
            "te": dew.temperature_c(ps) if ps > 20.0 else -60.0,
            "tc": dew.temperature_c(max(plant.pd, plant.pc)),
        }
