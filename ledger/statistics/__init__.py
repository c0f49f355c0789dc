"""Counting: spells, patency curves, competing risks, rates and prevalence, each with its working.

Functions of values over `ledger.chronology.History`, without a clock and without the store. Whoever wants a count
as of today says which day that is (`cut`). Nothing in here is imported by the rest of the ledger, so numpy and scipy
cost start-up time only where somebody counts.

The walk: `definitions` (data) → `moments` (what the facts of a life mean for a definition) → `spells` (from which
day to which, and why) → `curves` (numbers) → `patency`, `rates`, `prevalence` (numbers with their basis) → `report`
(on `paper`), `extract`, `tables`, `pictures`. What is small is taken out of a result by `hiding`, before it is written.

Every result carries a `Basis`: how many were counted, how many were left out and why, the choices in use, and a
warning where several accesses of one patient are counted as if they knew nothing of each other.

To add a definition, add it to `definitions.toml` (or to a site's file of the same form). To add a choice that
definitions can make, name it there with its options, and give it its meaning in `spells`.
"""
