"""Excitation plans: the drives that show how a vehicle answers, for the ground and the limits that there are."""

from tuning.excitation.drives import Drive
from tuning.excitation.plan import ExcitationPlan
from tuning.excitation.planning import plan_excitation
from tuning.excitation.space import Space
from tuning.excitation.variants import Uncertainty

__all__ = ["Drive", "ExcitationPlan", "Space", "Uncertainty", "plan_excitation"]
