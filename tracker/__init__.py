"""What runs on the vehicle: the laws, the command they share, the envelope, the tracker,
the loops for raw positions, and the parameter file."""

from tracker.command import Command, Measurement
from tracker.envelope import Envelope
from tracker.explanation import Explanation
from tracker.inner_loops import InnerLoops
from tracker.laws import LAWS, MPC, Gain, Law, NonlinearMPC, PreviewLQR, PurePursuit, Runner, Stanley, View
from tracker.memory import StopReason
from tracker.parameters import load, save
from tracker.position_loop import PositionLoop, Positions
from tracker.response import Response
from tracker.schedule import Schedule
from tracker.tracker import Tracker

__all__ = [
    "LAWS",
    "MPC",
    "Command",
    "Envelope",
    "Explanation",
    "Gain",
    "InnerLoops",
    "Law",
    "Measurement",
    "NonlinearMPC",
    "PositionLoop",
    "Positions",
    "PreviewLQR",
    "PurePursuit",
    "Response",
    "Runner",
    "Schedule",
    "Stanley",
    "StopReason",
    "Tracker",
    "View",
    "load",
    "save",
]
