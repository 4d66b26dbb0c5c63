"""Times on the laboratory's clock, where the panels look for them."""

from labkit.workflow.clock import day_and_time, time_of_day

__all__ = ["day_and_time", "time_of_day"]
