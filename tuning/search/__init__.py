"""The search for gains, and the comparison of laws."""

from tuning.search.compare import compare
from tuning.search.comparison import Comparison
from tuning.search.scenarios import default_scenarios
from tuning.search.study import Study
from tuning.search.tune import tune

__all__ = ["Comparison", "Study", "compare", "default_scenarios", "tune"]
