"""Maintenance schedule by week."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.web.rendering import page
from stripread.web.request import RequestContext

#: Weeks that the page looks ahead.
_WEEKS: Final = 4


def show(ask: RequestContext) -> Response:
    """Return the schedule: overdue items, then week by week."""
    found = due_list(ask.house.store, load_intervals(), scope=Scope(access=ask.access), weeks=_WEEKS)
    return page(ask, "schedule.html", overdue=found.overdue, weeks=list(found.weeks()), n_weeks=_WEEKS)
