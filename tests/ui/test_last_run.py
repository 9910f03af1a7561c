"""A run that goes on from an earlier one tells so on its screens, and not in the record alone."""

from tests.host.host import live


def test_the_live_driver_knows_what_its_run_took_up() -> None:
    driver = live()
    assert not driver.facts().last_run
    driver.runner.health(driver.clock.now_ns())
    driver.runner.start_from_state(driver.clock.now_ns(), driver.core.state())
    assert driver.facts().last_run.startswith("went on from the run that ended 0 min ago")
