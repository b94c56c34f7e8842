"""Run splits: which pump circuit feeds which nozzle, along which corridors, with what tubing.

layout.py   corridors cut at the nozzles: points and pieces
problem.py  what is given: nozzle groups, tubing sizes, pumps, circuits, head budget with safe flows
plan.py     what comes out: circuits with their pieces, tubing and minor losses
split.py    the one verb: RunProblem -> RunPlan
"""
