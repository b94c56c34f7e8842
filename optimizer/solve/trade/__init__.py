"""Coverage and cost together: least cost for a coverage, most coverage within a budget, and what lies between.

    network.py   ways for tubing as points and pieces, candidates on their points
    prices.py    what each part costs at least
    relaxed.py   the joint relaxation as a linear program, row by row; links.py its connectivity cuts
    bound.py     what no design can pass: coverage within a budget, cost of a coverage
    kernel.py    the compiled search over positions on a host of tubing; hosts.py better hosts; look.py poses both
    pruned.py    thinner and grown again from a verified trial: spurs.py what goes and comes first, carried.py the trees
                 that stay, feeding.py run splits along them
    goal.py      what is asked for; trader.py looks, feeds, verifies; frontier.py points between; traded.py the verb
"""
