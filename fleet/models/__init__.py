"""What exists: units and their ends, couplers, places, couplings. Knows nothing of inspections."""

from fleet.models.couplers import Coupler, CouplerPattern, Fitment, PartFitting
from fleet.models.couplings import Coupling, CouplingSide
from fleet.models.events import FleetEvent
from fleet.models.gauges import Gauge
from fleet.models.places import Place, WeatherAlert
from fleet.models.units import CouplerEnd, Unit, UnitType

__all__ = [
    "Coupler",
    "CouplerEnd",
    "CouplerPattern",
    "Coupling",
    "CouplingSide",
    "Fitment",
    "FleetEvent",
    "Gauge",
    "PartFitting",
    "Place",
    "Unit",
    "UnitType",
    "WeatherAlert",
]
