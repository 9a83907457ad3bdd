"""Which adjustments of a linkage bring its intended travel.

In come a linkage as far as it is known (`known`), what may be changed (`setting`) and the intended travel;
out go settings in order of how many things must be touched (`search_all`), each with its fit, its margins
and their standard deviations (`outcome`), and what they do to the shafts that follow.
"""
