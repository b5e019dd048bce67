"""The laws: one file each beside their contract, listed by name in `LAWS`."""

from tracker.laws.base import IN_PYTHON, Gain, Law, Runner, View
from tracker.laws.mpc import MPC
from tracker.laws.nonlinear_mpc import NonlinearMPC
from tracker.laws.preview_lqr import PreviewLQR
from tracker.laws.pure_pursuit import PurePursuit
from tracker.laws.stanley import Stanley

__all__ = [
    "IN_PYTHON",
    "LAWS",
    "MPC",
    "Gain",
    "Law",
    "NonlinearMPC",
    "PreviewLQR",
    "PurePursuit",
    "Runner",
    "Stanley",
    "View",
]

LAWS: dict[str, type[Law]] = {
    law.__name__: law for law in (PurePursuit, Stanley, PreviewLQR, MPC, NonlinearMPC)
}
