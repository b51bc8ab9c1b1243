"""What a person can do in the shop, one function each with one set of rules; its faces only add words.

`models` read and save a model; `pieces` begin a piece, measure it, set its state; `sitting` hear, judge and log a
trial; `cutting` record or correct a cut; `certificates`; `head_sitting` a head's trial; `head_advice` what is wrong
with a head and what to do; `history` what happened; `learning` what pieces teach each other; `backups`.
"""
