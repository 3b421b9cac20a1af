"""Before something is shut: what a closing hides, what must be on record first, and what it looked like just before.

    records.py       what people recorded, and what a check answers      graph.py         openings over time
    folding.py       decisions → those records                           item_log.py      changes of an item
    requirements.py  what is asked for, and why                          evidence.py      which picture proves what
    testing.py       tests before a closing, and again after it          bonds.py         cure and no-load holds
    lengths.py       whether a wire reaches                              electrical.py    drop, bends, colours
    steps.py         steps, hold points, witnesses, approvals            check.py         all of it for one opening
    look.py          the last look, by a written rule                    cautions.py      words of caution

Pure functions over frozen records: no I/O, no clock.
"""
