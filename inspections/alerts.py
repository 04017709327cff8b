"""Weather alerts that control enters and ends. Standing reads them; nothing else has to react."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q

from fleet.models import Place, WeatherAlert
from inspections import grading, log, permissions, words
from inspections.permissions import Refused

BACK, AHEAD = timedelta(days=7), timedelta(days=14)


def classes(rules) -> dict[str, str]:
    """Code → name of the weather classes that can be alerted: all but the mildest, which needs no alert."""
    return {code: rules.weather_words[code].name for code in rules.weathers[1:]}


def enter(
    *, places: Sequence[Place], weather: str, since: datetime, until: datetime | None, by: User, now: datetime
) -> list[WeatherAlert]:
    """Alert this weather at these places: all of them, or none. The same again changes nothing."""
    refuse_unless_allowed(by)
    known = classes(grading.ruleset(now))
    if not places:
        raise Refused("Choose at least one place.")
    if weather not in known:
        raise Refused(f"The rules know no weather class “{weather}”. Choose one of those shown.")
    refuse_times(since, until, now)
    with transaction.atomic(durable=True):
        log.hold()
        same = WeatherAlert.objects.filter(place__in=places, weather=weather, since=since, until=until)
        if {alert.place_id for alert in same} == {place.pk for place in places}:
            return list(same)
        refuse_overlap(places, weather, known[weather], since, until, now)
        made = WeatherAlert.objects.bulk_create(
            WeatherAlert(place=place, weather=weather, since=since, until=until) for place in places
        )
        for alert in made:
            note("weather alerted", alert, by, now, happened=min(since, now), since=since, until=until)
    return made


def refuse_unless_allowed(by: User) -> None:
    if not permissions.may(by, "alert"):
        raise Refused("Your role may not alert weather.")


def refuse_times(since: datetime, until: datetime | None, now: datetime) -> None:
    """Raise Refused where the times cannot be meant."""
    if until and until <= since:
        raise Refused("It would end before it began. Look at both times again.")
    if since < now - BACK:
        raise Refused("It would begin more than seven days ago. Look at the date again.")
    if since > now + AHEAD:
        raise Refused("It would begin more than 14 days from now. Look at the date again.")


def refuse_overlap(places, weather: str, name: str, since: datetime, until: datetime | None, now: datetime) -> None:
    """Raise Refused where the same weather is alerted at one of these places at the same time already."""
    there = WeatherAlert.objects.filter(place__in=places, weather=weather)
    there = there.filter(Q(until=None) | Q(until__gt=since)).select_related("place")
    if until:
        there = there.filter(since__lt=until)
    other = there.order_by("since").first()
    if other:
        ends = f"until {words.moment(other.until, now)}" if other.until else "until it is ended"
        raise Refused(
            f"{name.capitalize()} is alerted at {other.place} already, from {words.moment(other.since, now)} {ends}. "
            "End that alert first, or choose times beside it. Nothing was entered."
        )


def end(alert: WeatherAlert, *, by: User, now: datetime) -> WeatherAlert | None:
    """End an alert now. One that has not begun is called off and leaves only its log entries: then None."""
    refuse_unless_allowed(by)
    with transaction.atomic(durable=True):
        log.hold()
        row = WeatherAlert.objects.select_related("place").filter(pk=alert.pk).first()
        if row is None:
            raise Refused("This alert was called off already.")
        if row.until and row.until <= now:
            raise Refused(f"This alert ended {words.moment(row.until, now)} already.")
        if row.since >= now:
            note("weather alert called off", row, by, now, since=row.since, until=row.until)
            row.delete()
            return None
        note("weather alert ended", row, by, now, since=row.since, until=now)
        row.until = now
        row.save(update_fields=["until"])
        return row


def note(kind: str, alert: WeatherAlert, by: User, now: datetime, *, happened: datetime | None = None, **payload):
    """The log entry, on the place."""
    log.write(
        subject=f"place:{alert.place.code}",
        kind=kind,
        actor=by.pk,
        happened=happened or now,
        written=now,
        alert=alert.pk,
        weather=alert.weather,
        **payload,
    )
