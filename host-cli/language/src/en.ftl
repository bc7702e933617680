## Head and foot

title-valve = Seat leak test certificate of valve { $serial }
title-batch = Seat leak test certificate of batch { $batch }
title-several = Seat leak test certificates
number = Certificate { $number }
draft = DRAFT
draft-notice = Draft
draft-text = It has no number, nothing of it is on record, and it certifies nothing.
selection-notice = A selection
selection-text = It is made of a selection of the records of this batch. What the others say is not known here.
simulated-notice = Simulated
simulated-text = The readings come from the simulated rig. No valve was tested, and nothing here is evidence of one.
first-to-last = { $first } to { $last }
page-of = page { $page } of { $pages }
mark-of = Mark of { $shop }
issued = Issued
issued-by = { $moment } by { $name }
released = Released
name-below-line = name
signed = Signed
signed-text = its data, attached to the PDF, with the key of fingerprint { $fingerprint }
code-caption = { $number }; the SHA-256 of its data begins with { $digits }

## Results

result-tight = TIGHT
result-leaking = LEAKING
result-undecided = UNDECIDED
result-void = VOID
result-not-proved = NOT PROVED
result-set-aside = SET ASIDE
result-no-verdict = NO VERDICT
by-override = BY OVERRIDE
simulated = SIMULATED
tight-of-all = { $tight } of { $all } TIGHT
each-in-its-line = From both sides, each in its line below.
reason-tight = The leak of each side, with its guard band, lies under the limit.
reason-tight-by-override = The leak of each side, with its guard band, lies under the limit that it was judged by. The run did not fit what the valve must be, or must meet: see the notes.
reason-leaking = At least one side leaks more than the limit allows.
reason-undecided = A side's leak lies too near the limit for its uncertainty; this is neither tight nor leaking.
reason-void = A side's test was disturbed, so that nothing can be said of it.
reason-not-proved = A valve is proved by both sides.
no-result-first = No result for the first side.
no-result-second = No result for the second side.
fault-ended = A fault ended a run; see its event log.
verdict-tight = tight
verdict-leaking = leaking
verdict-undecided = undecided
verdict-void = void
verdict-none = none
no-figure = no figure
no-result = no result
not-tested = not tested

## Facts

valve = Valve
valves = Valves
batch = Batch
order-customer = Customer
order-order = Order
order-line = Order line
order-drawing = Drawing
order-material = Material
order-heat = Heat number
order-procedure = Procedure
order-remark = Remark
before-that = Before that
reworked = { $times ->
    [1] reworked
    [2] reworked twice
   *[other] reworked { $times } times
  }
opened-by-air = opened by air
turned-by-hand = turned by hand
finished-length = Finished length
length-required = Length required
required-words = { $nominal } mm, { $least } to { $most } mm
required-in-table = required { $words }
length-not-measured = not measured
length-conforms = conforms
length-too-close = too close to say
length-does-not = does not conform
done-after-test = DONE AFTER THE TEST: { $steps }
bolted-after-test = BOLTED UP AFTER THE TEST
noted-before = noted before: { $lengths } mm
held-by = held { $hold }, by { $names }
before-rework = measured before a rework
assembly = Assembly
all-steps-done = all steps done
no-steps = no steps stated
steps-not-done = NOT DONE: { $steps }
test = Test
test-words = pressure hold with compressed air, { $pressure } gauge
limit-taken-from = Limit taken from
limit-taken-words = { $class }: that figure, and nothing else of it
rig = Rig
notes = Notes
calibrations = Calibrations
no-calibrations = none on record: the rig file's figures
not-counted = Not counted
not-counted-words = not counted: { $words }
of-record = record { $record }, { $words }
record-and-why = record { $record }, result { $found }: { $words }
mark-limit = judged by the limit { $judged }, and the valve must meet { $required }
mark-struck = struck by { $by }, { $at }: { $text }
mark-moved-away = { $to } was on the rig; moved there by { $by }, { $at }: { $text }
mark-moved-here = moved: recorded for { $for }; moved by { $by }, { $at }: { $text }
mark-override = override: { $text } ({ $by })
name-not-stated = name not stated

## What must not be overlooked

assembly-not-complete = Assembly not complete, or after the test
see-assembly-of = see what is said of the assembly of { $serials }.
length-notice = Length
length-does-not-of = does not conform: { $serials }.
length-too-close-of = too close to its limits to say whether it conforms: { $serials }.

since-then = Since these tests
later-leak = record { $record }, { $at }, by { $by }: it leaked, in a run that is not of this batch
later-rework = record { $record }, { $at }: reworked in another batch by { $by }: { $text }
later-set-aside = record { $record }, { $at }: set aside in another batch by { $by }: { $text }

## Tables

table-of-sides = Leak of each side against the limit
table-of-valves = Valves, and the leak of each side
column-side = Side
column-verdict = Verdict
column-leak = Leak ± uncertainty
column-limit = Limit
column-hold = Hold time
column-tested = Tested
column-by = By
column-record = Record
column-result = Result
column-also = Also
side-first = First side
side-second = Second side
side-and-end = { $side } (end { $end } on supply)
record-in-table = record { $records }

## Rule

rule = A side is tight where its leak and a guard band above it lie under the limit, for a risk of { $risk } % of calling a side tight that leaks as much as the limit (guarded acceptance, JCGM 106:2012, 8.3). The value after ± covers the true leak with { $coverage } %.
reference = Leaks are counted at { $temperature } and { $pressure }.
length-rule = A finished length conforms where it lies within its limits by a guard band, for a risk of { $risk } % of calling conforming what is not (JCGM 106:2012, 8.3); the value after ± is its expanded uncertainty, k = 2.
does-not-say = It states the leaks found, and no conformity with a standard; nothing of the strength of the body, of other fluids, pressures or temperatures, or of a later time.

## Labels

label-air = air
label-hand = hand
label-limit = limit { $limit }
label-two-limits = { $one } and { $other }
label-batch = batch { $batch }
label-leaking = leaking
label-half-tested = half-tested
label-test-again = test again
label-rework = to rework
label-retest = to retest
label-end-a = END A
label-end-b = END B
