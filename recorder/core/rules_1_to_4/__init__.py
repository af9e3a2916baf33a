"""How recorders judged by rules 1 to 4: frozen, to replay the entries that they wrote, and never to be changed.

`recorder/core/station.py` hands each entry of theirs to `station.step` here. What a later recorder finds when it starts
on such records is carried over by `recorder/core/carry_over.py`. The journals in fixtures/records/ hold it fast.
"""
