"""Does this entry make sense after that history? The only place that refuses.

Refused is only what contradicts what is known under every reading of the dates. What is merely odd is admitted with a
doubt that stays in view until a person settles it: by a correction, a retraction, or an entry that puts it aside until
a day. A correction or a retraction is never refused for what it uncovers in other entries; those get the doubt.

`gate` is what callers use, `laws` says what is looked for, `sentences` what is said then, `plausible` (and the table
`plausible.toml`) which numbers are looked at twice, `known` how facts are held while they are judged. Nothing in here
reads a clock or a store; it judges one patient at a time.
"""

from ledger.admission.gate import Gate, Refusal, Verdict, doubts_of
from ledger.admission.sentences import LAWS, REFUSED, Law

__all__ = ["LAWS", "REFUSED", "Gate", "Law", "Refusal", "Verdict", "doubts_of"]
