"""Who may do and see what: the one place that says so (`design.md`, definition 15).

Facts, grades and standing are for every signed-in role. Names, notes and photos are for their author, control,
fitters and managers. Everything else is a named act and the roles that may do it.
"""

from functools import wraps

from django.core.exceptions import PermissionDenied

DRIVER, FITTER, CONTROLLER, MANAGER = "driver", "fitter", "controller", "manager"
CHECKER, ENGINEER = "checker", "engineer"
ROLES = (DRIVER, FITTER, CONTROLLER, MANAGER)
EVERYBODY = frozenset(ROLES)

MAY = {
    "report": EVERYBODY,
    "see standing": EVERYBODY,
    "see words": frozenset({FITTER, CONTROLLER, MANAGER}),
    "look": frozenset({CONTROLLER}),
    "tell": frozenset({CONTROLLER}),
    "raise": frozenset({CONTROLLER, FITTER}),
    "restrict": frozenset({CONTROLLER}),
    "lift": frozenset({CONTROLLER}),
    "plan": frozenset({CONTROLLER}),
    "withdraw": frozenset({CONTROLLER}),
    "plan assistance": frozenset({CONTROLLER}),
    "defer": frozenset({CONTROLLER}),
    "agree": frozenset({ENGINEER}),
    "extend": frozenset({ENGINEER}),
    "recall": frozenset({CONTROLLER, ENGINEER}),
    "merge": frozenset({CONTROLLER}),
    "move": frozenset({CONTROLLER, FITTER}),
    "name repeat": frozenset({CONTROLLER, FITTER}),
    "label": frozenset({CONTROLLER, FITTER}),
    "isolate": frozenset({CONTROLLER, FITTER}),
    "decide occurrence": frozenset({CONTROLLER, MANAGER}),
    "alert": frozenset({CONTROLLER}),
    "import": frozenset({CONTROLLER, MANAGER}),
    "load": frozenset({CONTROLLER}),
    "see control": frozenset({CONTROLLER, MANAGER}),
    "see work": frozenset({FITTER, CONTROLLER, MANAGER}),
    "print card": frozenset({FITTER, CONTROLLER}),
    "take": frozenset({FITTER}),
    "repair at once": frozenset({FITTER}),
    "examine": frozenset({FITTER}),
    "make safe": frozenset({FITTER}),
    "put back": frozenset({FITTER}),
    "close": frozenset({FITTER}),
    "check": frozenset({CHECKER}),
    "keep gauges": frozenset({CHECKER, MANAGER}),
    "see figures": frozenset({MANAGER}),
    "see recurring": frozenset({MANAGER, CONTROLLER}),
    "review": frozenset({MANAGER}),
    "start fleet action": frozenset({MANAGER}),
    "do fleet action": frozenset({FITTER, MANAGER}),
    "end sessions": frozenset({MANAGER}),
    "see rules": EVERYBODY,
    "own rules": frozenset({ENGINEER}),
}


class Refused(Exception):
    """The act may not be done; the message says why, in words for the person. Nothing was changed."""


def groups_of(user):
    """The user's roles and competences, read once per user object."""
    if not hasattr(user, "_groups_held"):
        held = user.groups.values_list("name", flat=True) if user.is_authenticated else ()
        user._groups_held = frozenset(held)
    return user._groups_held


def may(user, act):
    """True when one of the user's roles or competences may do `act`; KeyError on an act nobody named."""
    return user.is_active and bool(groups_of(user) & MAY[act])


def require(act):
    """View decorator: 403 unless the signed-in person may do `act`."""

    def decorate(view):
        @wraps(view)
        def wrapped(request, *args, **kwargs):
            if not may(request.user, act):
                raise PermissionDenied(act)
            return view(request, *args, **kwargs)

        return wrapped

    return decorate


def may_see_words(user, observation):
    """Names, notes and photos: the author, control, fitters, managers."""
    return observation.by_id == user.pk or may(user, "see words")
