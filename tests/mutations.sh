#!/usr/bin/env bash
# Tests the tests: puts one deliberate mistake at a time into the step machine, in a scratch copy, and looks whether a
# test fails. Prints a table; the exit code is 0 only if every mistake was caught.
#
#   tests/mutations.sh              all of them
#   tests/mutations.sh WORD         those whose name holds WORD
#   tests/mutations.sh --list       their names
#
# The scratch copy stands in $MUTATIONS_DIR (default: a new temporary folder, removed at the end), its build there too
# unless CARGO_TARGET_DIR says otherwise.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
ROOT=$PWD

names=() files=() olds=() news=()
# mistake NAME FILE OLD NEW: in sequencer/src/FILE, the text OLD, which must stand there once, becomes NEW.
mistake() { names+=("$1") files+=("$2") olds+=("$3") news+=("$4"); }

mistake 'interlock: stop lets outputs be' interlock.rs 'if contacts.stop {' 'if false {'
mistake 'interlock: blow-through allowed' interlock.rs 'if allowed.blows_through() {' 'if false {'
mistake 'interlock: feeds blind' interlock.rs 'let below = matches!(far, Known::Pressure(p) if p <= max);' 'let below = true;'
mistake 'over-pressure is no fault' step.rs 'if above(far, self.max()) {' 'if false {'
mistake 'supply over-pressure is no fault' step.rs '.is_some_and(|s| above(s.known(now), self.supply_max()))' '.is_some_and(|_| false)'
mistake 'guard ignored in a test' step.rs 'if guard_open {' 'if false {'
mistake 'guard ignored in the safe vent' step.rs 'None if guard_open && emptying => ' 'None if false && guard_open && emptying => '
mistake 'stop ignored while measuring' step.rs 'if inputs.contacts.stop {' 'if inputs.contacts.stop && self.phase() != Phase::Measure {'
mistake 'stop released is enough' step.rs '            _ => return false,
        }
        true
    }

    fn give_up' '            (_, Phase::Held) => self.enter(State::SafeVent(SafeVent::new(now)), now, events),
            _ => return false,
        }
        true
    }

    fn give_up'
mistake 'clock fault ignored' step.rs '.then_some(if back { Fault::Clock } else { Fault::Stalled })' '.then_some(Fault::Stalled).filter(|_| !back)'
mistake 'stall ignored' step.rs 'let stalled = self.elapsed > self.rig.stall_max();' 'let stalled = false;'
mistake 'far sensor lost ignored' step.rs 'if self.far.lost(now) || (phase' 'if (phase'
mistake 'fed while the far side is unknown' step.rs ' || (phase.is_fed() && !matches!(far, Known::Pressure(_)))' ''
mistake 'supply sensor ignored' step.rs '.is_some_and(|s| s.lost(now))' '.is_some_and(|_| false)'
mistake 'slew ignored' step.rs 'if phase.is_fed() && self.slews() {' 'if false {'
mistake 'lost link ignored' step.rs 'if (self.ask.is_some() || phase == Phase::Work) && !inputs.link_up {' 'if false {'
mistake 'pending verdict kept after a fault' step.rs 'if self.fault.is_some() {
            (result.verdict' 'if false {
            (result.verdict'
mistake 'abort keeps no record' step.rs 'else if run.aborted && run.pending.is_none()' 'else if false'
mistake 'aborted run goes on to the swap' step.rs '&& self.fault.is_none() && !run.aborted' '&& self.fault.is_none()'
mistake 'faulted run goes on to the swap' step.rs 'if more && self.fault.is_none() &&' 'if more &&'
mistake 'fault forgotten once empty' step.rs 'if self.fault.is_some() && !self.acknowledged {' 'if false {'
mistake 'new fault counts as acknowledged' step.rs '        self.acknowledged = false;
        tell' '        tell'
mistake 'acknowledging skips the safe vent' step.rs 'Phase::Held | Phase::Trapped => {
                        self.enter(State::SafeVent(SafeVent::new(now)), now, events);' 'Phase::Held | Phase::Trapped => {
                        self.rest(now, events);'
mistake 'refused start holds the phase up' step.rs '(Some(Command::Start(sides)), _) => return self.start(sides, now, inputs, events),' '(Some(Command::Start(sides)), _) => {
                let _ = self.start(sides, now, inputs, events);
            }'
mistake 'start with the far side full' step.rs 'far_not_empty: far.is_some_and(|p| p >= self.rig.safe_limit()),' 'far_not_empty: false,'
mistake 'start with the guard open' step.rs 'guard_open: self.rig.raw().guard_fitted && !inputs.contacts.guard_closed,' 'guard_open: false,'
mistake 'ready straight after a reset' step.rs 'self.enter(State::SafeVent(SafeVent::new(now)), now, events);
            return None;' 'self.enter(State::Ready, now, events);
            return None;'
mistake 'safe shown in any phase' step.rs 'if dwelt && self.phase().is_resting()' 'if dwelt'
mistake 'tight below the band' step.rs '&& !run.isolated.is_some_and(in_band)' '&& false && !run.isolated.is_some_and(in_band)'
mistake 'dwell skipped' dwell.rs 'since(last, first) >= span' 'since(last, first) >= span || true'
mistake 'silence counts as dwell' dwell.rs 'if far.fresh().is_some() {' 'if true {'
mistake 'cavity stroke skipped' phase/safe_vent.rs 'if !cavity {' 'if true {'
mistake 'safe vent never gives up' phase/safe_vent.rs 'Stage::Emptying | Stage::Dwelling if spent >= stage_max(self.stage, view.rig, view.recipe) => {' 'Stage::Emptying if false => {'
mistake 'stale reading taken as healthy' channel.rs 'Some(good) if since(now, good.at) <= self.stale =>' 'Some(good) =>'
mistake 'sick transducer taken as healthy' channel.rs '_ if self.sick_since.is_some() => Known::Sick,' '_ if false => Known::Sick,'
mistake 'a repeat is a new sample' channel.rs 'if last == Some(sample.number) {' 'if false {'
mistake 'supply opened before the vent is shut' phase/fill.rs 'if self.admitted.is_some() { FEEDING } else { OPENING }' 'if self.admitted.is_some() { FEEDING } else { Outputs { supply: Gate::Open, ..OPENING } }'
mistake 'fill never times out' phase/fill.rs 'return Next::Fault(Fault::FillTimeout);' 'return Next::Stay;'
mistake 'vent opened with no changeover' phase/vent.rs 'if self.opened.is_some() { Outputs::REST } else { CHANGEOVER }' 'if self.opened.is_some() { Outputs::REST } else { let _ = CHANGEOVER; Outputs::REST }'
mistake 'shut switch ignored' phase/isolate.rs 'let made = !view.rig.raw().shut_switch_fitted || view.contacts.valve_shut;' 'let made = true;'
mistake 'band left in soak is no fault' phase/soak.rs 'Next::Fault(Fault::BandLost)' 'Next::Stay'
mistake 'precheck: full is empty' phase/precheck.rs 'if i64::from(pa) > i64::from(recipe.zero_band_pa) {' 'if false {'
mistake 'precheck: below the atmosphere is plausible' phase/precheck.rs 'if -i64::from(pa) > i64::from(recipe.zero_band_pa) {' 'if false {'
mistake 'precheck: any spread is plausible' phase/precheck.rs 'if spread_pa > recipe.spread_max_pa {' 'if false {'
mistake 'settle: a rise is nothing' phase/settle.rs 'else if view.rose() {' 'else if false {'
mistake 'settle: a gross fall is nothing' phase/settle.rs 'if view.fell_grossly() {' 'if false {'
mistake 'work: begun under pressure' step.rs 'self.disconnect != Disconnect::Safe ||' 'false ||'
mistake 'work: begun with an output that differs' step.rs 'if inputs.outputs_differ {
            // At' 'if false {
            // At'
mistake 'work: begun in a run' step.rs 'refusal.busy = self.phase() != Phase::Ready;
        refusal.no_recipe' 'refusal.busy = false;
        refusal.no_recipe'
mistake 'work: with the air on' step.rs 'if let State::Work(_) = self.state { self.rig.safe_limit() }' 'if false { self.rig.safe_limit() }'
mistake 'work: with nobody there' step.rs '(self.ask.is_some() || phase == Phase::Work)' 'self.ask.is_some()'
mistake 'work: ends without a look' step.rs 'Next::Go(Phase::SafeVent) } else' 'Next::Empty } else'
mistake 'work: supply before the vent is shut' phase/work.rs 'Coil::Supply if spent >= rig.changeover()' 'Coil::Supply if spent >= rig.changeover() || true'

case ${1:-} in
--list) printf '%s\n' "${names[@]}"; exit ;;
--help | -h) sed -n '2,11s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"; exit ;;
esac

dir=${MUTATIONS_DIR:-$(mktemp -d)}
[ -n "${MUTATIONS_DIR:-}" ] || trap 'rm -rf "$dir"' EXIT
# Only what the step machine's own tests need, so that a mistake costs seconds and not the whole workspace: the
# sequencer, the kit and tests of the rules as a package by themselves, and the model.
rm -rf "$dir/copy"
mkdir -p "$dir/copy/tests/src" "$dir/copy/tests/tests" "$dir/copy/docs"
cp -r sequencer "$dir/copy/" && rm -rf "$dir/copy/sequencer/boards"
cp -r tests/model "$dir/copy/tests/"
cp tests/src/ideal.rs tests/src/script.rs "$dir/copy/tests/src/"
cp tests/tests/safety_rules.rs "$dir/copy/tests/tests/"
cp docs/rig-and-safety.md "$dir/copy/docs/"
cp Cargo.lock "$dir/copy/"
sed -e 's|^members = .*|members = ["sequencer", "tests", "tests/model"]|' -e '/^default-members/d' -e '/^exclude/d' \
    -e '/^seathold-sim /d' Cargo.toml >"$dir/copy/Cargo.toml"
printf 'pub mod ideal;\npub mod script;\n' >"$dir/copy/tests/src/lib.rs"
cat >"$dir/copy/tests/Cargo.toml" <<'END'
[package]
name = "seathold-tests"
edition.workspace = true
version.workspace = true

[dependencies]
seathold-sequencer = { workspace = true, features = ["serde"] }
nb.workspace = true
END
cd "$dir/copy"
export CARGO_TARGET_DIR=${CARGO_TARGET_DIR:-$dir/target} CARGO_TERM_COLOR=never

# What is run, quickest first; each line is one cargo command.
suites=(
    'test -q -p seathold-tests --test safety_rules'
    'test -q -p seathold-sequencer --lib'
    'test -q -p seathold-model --test explore'
)

# Prints the first test that fails, or nothing; fails if the copy does not build.
first_failure() {
    local suite
    for suite in "${suites[@]}"; do
        # shellcheck disable=SC2086
        cargo $suite --no-run >"$dir/build.log" 2>&1 || { tail -n 20 "$dir/build.log" >&2; return 1; }
        # A mistake may make a test wait for ever: that is caught, too.
        # shellcheck disable=SC2086
        timeout 120 cargo $suite >"$dir/test.log" 2>&1 && continue
        sed -n 's/^\(---- \)\{0,1\}\([a-z0-9_:]*\) \(--- FAILED\|stdout ----\).*/\2/p' "$dir/test.log" | head -n 1 |
            grep . || echo "time-out: $suite"
        return 0
    done
}

caught=$(first_failure) || { echo 'the copy does not build' >&2; exit 1; }
[ -z "$caught" ] || { echo "a test fails with no mistake put in: $caught" >&2; exit 1; }

missed=0
printf '| mistake | file | caught by |\n|---|---|---|\n'
for i in "${!names[@]}"; do
    [[ ${names[i]} == *"${1:-}"* ]] || continue
    path=sequencer/src/${files[i]}
    whole=$(cat "$path"; printf x)
    whole=${whole%x}
    rest=${whole#*"${olds[i]}"}
    if [ "$rest" = "$whole" ]; then
        printf '| %s | %s | **the text to change is not there** |\n' "${names[i]}" "${files[i]}"
        missed=$((missed + 1))
        continue
    fi
    printf '%s%s%s' "${whole%%"${olds[i]}"*}" "${news[i]}" "$rest" >"$path"
    if caught=$(first_failure); then
        [ -n "$caught" ] || { caught='**nothing**'; missed=$((missed + 1)); }
    else
        caught='**does not build**' missed=$((missed + 1))
    fi
    printf '| %s | %s | %s |\n' "${names[i]}" "${files[i]}" "$caught"
    printf '%s' "$whole" >"$path"
done
[ "$missed" = 0 ]
