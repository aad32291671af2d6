"""The validation study: how often checks, grades and verdicts are right on machines whose truth is known.

`plan` says which machines, `run` simulates and judges them, `measure` and its neighbours count, `calibrate` fits the
curves of evidence, `sections` is the page. What a report quotes of it is read from the rules (`rules.error_rate`).
"""
