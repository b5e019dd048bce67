"""Drive logs: columns of a file become quantities in SI units on one clock."""

from tuning.logs.channel import Channel
from tuning.logs.channels import Channels
from tuning.logs.log import Log
from tuning.logs.reading import read_log
from tuning.logs.units import QUANTITIES

__all__ = ["QUANTITIES", "Channel", "Channels", "Log", "read_log"]
