"""Benchmark of verdicts: seeded batches with known truth, and the score of whoever judges them.

`python -m tests.verdicts --set tuning --per-kind 12 --jobs 2 --worst 5` prints the table by kind and every figure
with whether it is met, for the project's own watch and for plain rules of thumb as comparison; `--judges watch`
leaves the rules out, `--kinds` picks kinds, `--json` gives every outcome. `python -m tests.verdicts.show KIND SEED`
draws one batch in the terminal with its truth and what the watch says of it.

The set `unseen` (seeds from 1,000,000 on) is for the final table only: whoever tunes never looks at a batch of it.
The physics here is its own: it shares no code with `ullage.detectors` or with the simulated vessel of
`ullage.adapters`, and draws every parameter widely from several laws, so that no judge fits it by luck.
"""
