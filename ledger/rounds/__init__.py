"""Rounds: what a practitioner watches, and what must not be forgotten.

`rules` reads the published limits, which are data (`rules.toml`) that a site may change by a
file; `trends` makes the series of an access and compares them with rules; `loop` follows a
referral to the access centre and back; `lines` brings up what is due, in the order of the
ward. All of it is functions of a history, a day and rules: no clock, no store, and nothing
that is found here changes an entry. Nothing in here says what to do to a person.
"""
