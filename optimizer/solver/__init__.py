"""Solve linear and mixed-integer Pyomo models with HiGHS: the only room that names HiGHS.

What must live here: options, warm start, progress, stop, limits, status, bound and gap. What may not: any
knowledge of nozzles or tubing. Answers are the same on every run as long as `Limits.seconds` does not fire:
one thread, fixed seed, and limits counted in nodes or in the interrupt checks that HiGHS makes.

    highs.py  compiling, options, runs       mip.py     solve once       relaxation.py  a linear relaxation that grows
    linear.py  linear programs of plain rows, without Pyomo, solved again and again
"""

from optimizer.solver.highs import OPTIMAL_GAP, Limits, Status
from optimizer.solver.mip import Outcome, relaxation_bound, solve
from optimizer.solver.relaxation import Relaxation, Relaxed

__all__ = ["OPTIMAL_GAP", "Limits", "Outcome", "Relaxation", "Relaxed", "Status", "relaxation_bound", "solve"]
