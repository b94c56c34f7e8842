"""Run splits: which pump circuit feeds which nozzle, along which corridors, with what tubing.

    problem.py     what is given        plan.py   what comes out       split.py  the one verb: RunProblem -> RunPlan
    layout.py      corridors cut at the nozzles: points and pieces;    segments.py  contracted to junctions
    prepared.py    the problem as plain lists and friction tables;     distances.py cheapest ways
    trees.py       one circuit's tree: units and fittings;             sizing.py    its least-cost tubing, exactly
    forest.py      all circuits' trees under change; grow.py leads tubing to nozzles, start.py gives first forests,
                   topology.py searches, written.py writes plans
    contracted.py  data of the contracted model (safe or optimistic), from layers.py (circuits modelled as one, what
                   tubes lose), reach.py (what a tube can carry where it lies), lines.py (straight lines about a curve);
    model.py       the model (Pyomo), with pressure_rows.py and sums.py; places.py its index; cuts.py its cuts;
                   proven.py puts it to work
    practice.py    what is done by hand
    budget.py      head budget of a plan, straight from the hydraulics
"""
