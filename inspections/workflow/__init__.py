"""The one way a finding changes state: authority, version check, log entry, one transaction.

Every act takes the finding, the version its author saw, who acts and when. It either does the whole act and logs it,
or raises `Refused` (not allowed, in words) or `Stale` (somebody else was first) and changes nothing.
"""

from inspections.permissions import Refused
from inspections.workflow.acts import decide_occurrence, look, plan, raise_category, take, tell, withdraw
from inspections.workflow.pairs import merge, name_repeat
from inspections.workflow.restrictions import lift, lift_row, restrict, subject_of
from inspections.workflow.signing import check, close_out
from inspections.workflow.steps import FROM, Stale, acts_open_to, advance, allow, may_from, since_version

__all__ = [
    "FROM",
    "Refused",
    "Stale",
    "acts_open_to",
    "advance",
    "allow",
    "check",
    "close_out",
    "decide_occurrence",
    "lift",
    "lift_row",
    "look",
    "may_from",
    "merge",
    "name_repeat",
    "plan",
    "raise_category",
    "restrict",
    "since_version",
    "subject_of",
    "take",
    "tell",
    "withdraw",
]
