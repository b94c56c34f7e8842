"""Run splits: which pump circuit feeds which nozzle, along which corridors, with what tubing.

    problem.py     what is given        plan.py   what comes out       split.py  the one verb: RunProblem -> RunPlan
    layout.py      corridors cut at the nozzles: points and pieces;    segments.py  contracted to junctions
    prepared.py    the problem as plain lists and friction tables;     distances.py cheapest ways
    trees.py       one circuit's tree: units and fittings;             sizing.py    its least-cost tubing, exactly
    forest.py      all circuits' trees under change; grow.py leads tubing to nozzles, start.py gives first forests,
                   topology.py searches, written.py writes plans
    contracted.py  data of the contracted model (safe or optimistic);  model.py     the model (Pyomo); places.py its
                   index; cuts.py its connectivity cuts; proven.py puts it to work
    practice.py    what is done by hand
    budget.py      head budget of a plan, straight from the hydraulics
"""
