"""What runs on the vehicle: the laws, the command they share, the envelope, the tracker and its parameter file."""

from tracker.command import Command, Measurement
from tracker.envelope import Envelope
from tracker.laws import LAWS, MPC, Gain, Law, PurePursuit, Runner, Stanley, View
from tracker.memory import StopReason
from tracker.parameters import load, save
from tracker.response import Response
from tracker.tracker import Tracker

__all__ = [
    "LAWS",
    "MPC",
    "Command",
    "Envelope",
    "Gain",
    "Law",
    "Measurement",
    "PurePursuit",
    "Response",
    "Runner",
    "Stanley",
    "StopReason",
    "Tracker",
    "View",
    "load",
    "save",
]
