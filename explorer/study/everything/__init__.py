"""Every setup asked: evaluation, one streaming pass in chunks, front, limits, shortlist.

Parts of a pass merge in any order to the same bytes, here and on a cluster; keep it so.
"""
