"""What was seen, graded, decided and done. People are Django's users; their roles are groups."""

from inspections.models.actions import FleetAction, FleetActionItem, Review
from inspections.models.asked import MateLook, Notice, Seal
from inspections.models.closeouts import CloseOut, TestResult
from inspections.models.deferrals import Deferral
from inspections.models.findings import Finding, Observation
from inspections.models.grades import Grade, GradeCell
from inspections.models.isolations import Isolation, Label
from inspections.models.log import LogEntry
from inspections.models.photos import Photo
from inspections.models.reports import InspectedEnd, Inspection, Submission
from inspections.models.restrictions import Restriction
from inspections.models.rulesets import RuleSet
from inspections.models.visits import Visit

__all__ = [
    "CloseOut",
    "Deferral",
    "Finding",
    "FleetAction",
    "FleetActionItem",
    "Grade",
    "GradeCell",
    "InspectedEnd",
    "Inspection",
    "Isolation",
    "Label",
    "LogEntry",
    "MateLook",
    "Notice",
    "Observation",
    "Photo",
    "Restriction",
    "Review",
    "RuleSet",
    "Seal",
    "Submission",
    "TestResult",
    "Visit",
]
