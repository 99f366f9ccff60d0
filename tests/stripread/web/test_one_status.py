"""Pages state the same status and next action of each site as commands and reports do."""

from html import escape
from pathlib import Path

from calibration.chart import Chart
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import overview
from stripread.web.worker import Workers
from tests.stripread.monitoring.agreement import INTERVALS
from tests.stripread.monitoring.treated_store import treated_store
from tests.stripread.web.conftest import serving


def test_pages_state_the_same(tmp_path: Path, sample_chart: Chart, workers: Workers) -> None:
    store = treated_store(tmp_path, sample_chart)
    sites = overview(store, INTERVALS, scope=Scope()).sites
    with serving(store, workers) as served:
        manager = served.role("manager")
        rows = manager.get("/sites").text.casefold()
        for status in sites:
            assert status.next is not None
            action = escape(status.next.what).casefold()
            assert action in rows, status.name
            assert action in manager.get(f"/sites/{status.site}").text.casefold(), status.name
