"""A run that goes on from an earlier one tells so on its screens, and not in the record alone."""

from monitor.runtime.driver import LAST_RUN
from tests.host.host import live


def test_the_live_driver_knows_what_its_run_took_up() -> None:
    driver = live()
    assert LAST_RUN not in driver.facts()
    driver.runner.health(driver.clock.now_ns())
    driver.runner.carry(driver.clock.now_ns(), driver.core.state())
    assert driver.facts()[LAST_RUN].startswith("went on from the run that ended 0 min ago")
