#!/usr/bin/env bash
# Tests the tests: puts one deliberate mistake at a time into the step machine or the simulated plant, in a scratch copy,
# and looks whether a test fails. Prints a table; the exit code is 0 only if every mistake was caught.
#
#   tests/mutations.sh              all of them
#   tests/mutations.sh WORD         those whose name holds WORD ("plant:" all of the plant)
#   tests/mutations.sh --list       their names
#
# The scratch copy stands in $MUTATIONS_DIR (default: a new temporary folder, removed at the end), its build there too
# unless CARGO_TARGET_DIR says otherwise.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
ROOT=$PWD

names=() files=() olds=() news=()
# mistake NAME FILE OLD NEW: in sequencer/src/FILE, the text OLD, which must stand there once, becomes NEW.
mistake() { names+=("$1") files+=("sequencer/src/$2") olds+=("$3") news+=("$4"); }
# The same in sim/src/FILE.
plant() { names+=("plant: $1") files+=("sim/src/$2") olds+=("$3") news+=("$4"); }

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

plant 'choked flow a thousandth low' flow.rs '(1.0, 0.0)' '(0.999, 0.0)'
plant 'ISO 6358 forgets the upstream temperature' flow.rs 'gas::RHO_REF * gas::sqrt(gas::T_REF / up.t)' 'gas::RHO_REF'
plant 'a fine leak follows p1 (p1 - p2)' flow.rs 'let mass = (up.p - down.p) * (up.p + down.p);' 'let mass = (up.p - down.p) * 2.0 * up.p;'
plant 'a stated leak forgets its orifice' flow.rs 'orifice: mass * orifice / (gas::RHO_REF * p1)' 'orifice: 0.0'
plant 'flow carries energy, not enthalpy' flow.rs 'let h = gas::CP * up.t;' 'let h = gas::CV * up.t;'
plant 'heat capacities of another gas' gas.rs 'pub const GAMMA: f64 = 1.4;' 'pub const GAMMA: f64 = 1.399;'
plant 'a film twice as good' heat.rs 'film: stated / gas_s' 'film: 2.0 * stated / gas_s'
plant 'the wall does not follow the room' network.rs 'sum.f[WALL + i] += (into + wall.room' 'sum.f[WALL + i] += (into + 0.0 * wall.room'
plant 'heat to the wall from nowhere' network.rs 'sum.f[ENERGY + 2 * i] -= into;' 'sum.f[ENERGY + 2 * i] -= 0.99 * into;'
plant 'creep without work' network.rs 'sum.f[ENERGY + 4] -= far.p * layout.creep * rate;' ''
plant 'the ball lifts off the wrong seat' network.rs 'drive.line_seat, -push), (cavity, far, CAVITY, FAR, drive.far_seat, push)]' 'drive.line_seat, push), (cavity, far, CAVITY, FAR, drive.far_seat, -push)]'
plant 'a joint does not feel the load' network.rs 'flow.add::<SLOPES>(&plain, factor);' 'flow.add::<SLOPES>(&plain, 1.0);'
plant 'droop twice as large' plant.rs 'let regulator = 1e-3 / raw.droop_pa;' 'let regulator = 0.5e-3 / raw.droop_pa;'
plant 'joints change places' plant.rs 'Side::First => ((seat_a, seat_b), (joint_a, joint_b)),' 'Side::First => ((seat_a, seat_b), (joint_b, joint_a)),'
plant 'dirt never lets by' plant.rs 'if self.grit.letting_by { seat.and(leak(grit)) } else { seat }' 'seat'
plant 'a freed ball stays where it is' plant.rs '        } else {
            self.work_pilot(now);
        }
    }

    /// A place' '        }
    }

    /// A place'
plant 'too few steps in a stroke' plant.rs 'const STROKE_STEPS: f64 = 32.0;' 'const STROKE_STEPS: f64 = 1.0;'
plant 'a switching is noticed a step late' plant.rs 'if limit < self.span.end() {
            let equations' 'if false {
            let equations'
plant 'the integrator takes any step' rodas.rs 'if error <= 1.0 || forced {' 'if error <= 1e4 || forced {'
plant 'a coefficient with one digit wrong' rodas.rs '3.314_825_187_068_521' '3.314_925_187_068_521'
plant 'a coefficient of the cubic wrong' rodas.rs '24.767_225_114_183_86' '24.768_225_114_183_86'
plant 'the least step too long' rodas.rs 'const H_MIN: f64 = 1e-12;' 'const H_MIN: f64 = 1e-9;'
plant 'an entry of the Jacobian wrong' network.rs 'sum.jac[CREEP][ENERGY] += by_line;' 'sum.jac[CREEP][ENERGY] -= by_line;'
plant 'friction helps' actuator.rs 'let friction = if opening { self.friction } else { -self.friction };' 'let friction = if opening { -self.friction } else { self.friction };'
plant 'lag half as long' sensor.rs '-f64::from(period_ms) * 1e-3 / lag_s' '-f64::from(period_ms) * 2e-3 / lag_s'
plant 'no hysteresis' sensor.rs 'held.clamp(value - self.hysteresis, value + self.hysteresis)' 'value'
plant 'drift stands still' sensor.rs 'self.offset += self.drift;' ''
plant 'no end of range' sensor.rs 'seen.min(self.range)' 'seen'
plant 'pink noise is white' sensor.rs 'let row = (self.count.trailing_zeros() as usize).min(ROWS - 1);' 'let row = (self.count as usize) % ROWS;'
plant 'a slipped conversion keeps its number' sensor.rs '    pub fn slip(&mut self) {
        self.number = self.number.wrapping_add(1);' '    pub fn slip(&mut self) {
        self.number = self.number.wrapping_add(0);'
plant 'a stuck channel is free' faulty.rs 'Some(ChannelFault::Stuck) => Sample { counts: last.counts, ..sample },' 'Some(ChannelFault::Stuck) => sample,'
plant 'the half-shut lever is shut' operator.rs 'self.plan(hand, Act::Lever(0.5))' 'self.plan(hand, Act::Lever(0.0))'
plant 'a fault that never ends' fault.rs 'State::On(since) if fault.lasts.is_some_and(|lasts| now >= since + lasts)' 'State::On(since) if false && fault.lasts.is_some_and(|lasts| now >= since + lasts)'
plant 'streams of chance fall together' noise.rs 'seed ^ (stream as u64)' 'seed ^ (stream as u64 & 0)'

case ${1:-} in
--list) printf '%s\n' "${names[@]}"; exit ;;
--help | -h) sed -n '2,11s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"; exit ;;
esac

dir=${MUTATIONS_DIR:-$(mktemp -d)}
[ -n "${MUTATIONS_DIR:-}" ] || trap 'rm -rf "$dir"' EXIT
# Only what the tests of step machine and plant need, so that a mistake costs seconds and not the whole workspace: the
# sequencer, the kit and tests of the rules as a package by themselves, and the model; the simulator, and the tests of the
# plant as another package.
rm -rf "$dir/copy"
mkdir -p "$dir/copy/tests/src" "$dir/copy/tests/tests" "$dir/copy/docs" "$dir/copy/plant/src" "$dir/copy/plant/tests"
cp -r sequencer sim "$dir/copy/" && rm -rf "$dir/copy/sequencer/boards"
cp tests/src/lsoda.rs "$dir/copy/plant/src/"
cp tests/tests/plant_*.rs "$dir/copy/plant/tests/"
cp -r tests/reference "$dir/copy/plant/"
cp -r tests/model "$dir/copy/tests/"
cp tests/src/ideal.rs tests/src/script.rs "$dir/copy/tests/src/"
cp tests/tests/safety_rules.rs "$dir/copy/tests/tests/"
cp docs/rig-and-safety.md "$dir/copy/docs/"
cp Cargo.lock "$dir/copy/"
sed -e 's|^members = .*|members = ["sequencer", "sim", "tests", "tests/model", "plant"]|' -e '/^default-members/d' -e '/^exclude/d' \
    Cargo.toml >"$dir/copy/Cargo.toml"
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
echo 'pub mod lsoda;' >"$dir/copy/plant/src/lib.rs"
cat >"$dir/copy/plant/Cargo.toml" <<'END'
[package]
name = "seathold-plant-tests"
edition.workspace = true
version.workspace = true

[lib]
name = "seathold_tests"

[dependencies]
seathold-sequencer.workspace = true
seathold-sim = { workspace = true, features = ["std"] }
proptest.workspace = true
END
cd "$dir/copy"
export CARGO_TARGET_DIR=${CARGO_TARGET_DIR:-$dir/target} CARGO_TERM_COLOR=never

# What is run, quickest first; each line is one cargo command.
machine_suites=(
    'test -q -p seathold-tests --test safety_rules'
    'test -q -p seathold-sequencer --lib'
    'test -q -p seathold-model --test explore'
)
plant_suites=(
    'test -q -p seathold-plant-tests --test plant_physics'
    'test -q -p seathold-plant-tests --test plant_lsoda'
    'test -q -p seathold-sim'
    'test -q -p seathold-plant-tests --test plant_faults'
    'test -q -p seathold-plant-tests --test plant_two_sides'
    'test -q -p seathold-plant-tests --test plant_extremes'
)
# Sets what is run for a mistake in this file.
suites_of() {
    case $1 in
    sim/*) suites=("${plant_suites[@]}") ;;
    *) suites=("${machine_suites[@]}") ;;
    esac
}

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

sound=()
for i in "${!names[@]}"; do
    [[ ${names[i]} == *"${1:-}"* ]] || continue
    suites_of "${files[i]}"
    [[ " ${sound[*]} " == *" ${suites[0]} "* ]] && continue
    caught=$(first_failure) || { echo 'the copy does not build' >&2; exit 1; }
    [ -z "$caught" ] || { echo "a test fails with no mistake put in: $caught" >&2; exit 1; }
    sound+=("${suites[0]}")
done

missed=0
printf '| mistake | file | caught by |\n|---|---|---|\n'
for i in "${!names[@]}"; do
    [[ ${names[i]} == *"${1:-}"* ]] || continue
    path=${files[i]}
    suites_of "$path"
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
