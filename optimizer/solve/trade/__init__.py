"""Coverage and cost together: least cost for a coverage, most coverage within a budget, and what lies between.

    network.py   ways for tubing as points and pieces, candidates on their points
    prices.py    what each part costs at least
    relaxed.py   the joint relaxation as a linear program, row by row; links.py its connectivity cuts
    bound.py     what no design can pass: coverage within a budget, cost of a coverage
"""
