"""Run splits: which pump circuit feeds which nozzle, along which corridors, with what tubing.

    problem.py     what is given        plan.py   what comes out       split.py  the one verb: RunProblem -> RunPlan
    layout.py      corridors cut at the nozzles: points and pieces;    segments.py  contracted to junctions
    prepared.py    the problem as plain lists and friction tables;     distances.py cheapest ways; trees.py units and
                   fittings of one circuit's tree; forest.py all circuits' trees as others read and write them
    start.py       first forests; race.py searches with every set of sizes; written.py writes plans; faults.py what run
                   rules a plan breaks
    compiled.py    numba, for the kernel of the search: flat.py the problem as arrays, state.py forests under change,
                   hung.py a tree hung from its root, labels.py and sizing.py its least-cost tubing, exactly,
                   rules.py cost and faults, grow.py leads tubing to nozzles, moves.py, anneal.py
    contracted.py  data of the contracted model (safe or optimistic), from layers.py (circuits modelled as one, what
                   tubes lose), reach.py (what a tube can carry where it lies), lines.py (straight lines about a curve);
    model.py       the model (Pyomo), with pressure_rows.py and sums.py; places.py its index; cuts.py its cuts;
                   proven.py puts it to work
    practice.py    what is done by hand
    elastic.py     which rules are in conflict where nozzles cannot all be fed (Pyomo), on the data of required.py
    budget.py      head budget of a plan, straight from the hydraulics
"""
