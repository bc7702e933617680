#!/usr/bin/env bash
# Mutation testing of the simulated plant: puts one deliberate mistake at a time into a scratch copy, and looks whether a
# test fails. Prints a table; the exit code is 0 only if every mistake was caught. The step machine has tests/mutants.sh.
#
#   tests/mutations.sh              all of them
#   tests/mutations.sh WORD         those whose name holds WORD
#   tests/mutations.sh --list       their names
#   tests/mutations.sh --check      whether each text to change still stands in the code, once; changes nothing
#
# The scratch copy stands in $MUTATIONS_DIR (default: a new temporary folder, removed at the end), its build there too
# unless CARGO_TARGET_DIR says otherwise.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
ROOT=$PWD

names=() files=() olds=() news=()
# plant NAME FILE OLD NEW: in sim/src/FILE, the text OLD, which must stand there once, becomes NEW.
plant() { names+=("plant: $1") files+=("sim/src/$2") olds+=("$3") news+=("$4"); }

plant 'choked flow a thousandth low' flow.rs '(1.0, 0.0)' '(0.999, 0.0)'
plant 'ISO 6358 forgets the upstream temperature' flow.rs 'gas::RHO_REF * gas::sqrt(gas::T_REF / up.t)' 'gas::RHO_REF'
plant 'a fine leak follows p1 (p1 - p2)' flow.rs 'let mass = (up.p - down.p) * (up.p + down.p);' 'let mass = (up.p - down.p) * 2.0 * up.p;'
plant 'a stated leak forgets its orifice' flow.rs 'orifice: mass * orifice / (gas::RHO_REF * p1)' 'orifice: 0.0'
plant 'flow carries energy, not enthalpy' flow.rs 'let h = gas::CP * up.t;' 'let h = gas::CV * up.t;'
plant 'heat capacities of another gas' gas.rs 'pub const GAMMA: f64 = 1.4;' 'pub const GAMMA: f64 = 1.399;'
plant 'a film twice as good' heat.rs 'film: stated / gas_s' 'film: 2.0 * stated / gas_s'
plant 'the wall does not follow the room' network.rs 'sum.f[of_wall] += (into + wall.room' 'sum.f[of_wall] += (into + 0.0 * wall.room'
plant 'heat to the wall from nowhere' network.rs 'sum.f[energy] -= into;' 'sum.f[energy] -= 0.99 * into;'
plant 'creep without work' network.rs 'sum.f[FAR_ENERGY] -= far.p * parameters.creep * rate;' ''
plant 'the ball lifts off the wrong seat' network.rs 'controls.line_seat, crossover, -push, -1.0);
        self.seat(Node::Cavity, Node::Far, controls.far_seat, crossover, push, 1.0);' 'controls.line_seat, crossover, push, -1.0);
        self.seat(Node::Cavity, Node::Far, controls.far_seat, crossover, -push, 1.0);'
plant 'a joint does not feel the load' network.rs 'flow.add::<SLOPES>(&plain, factor);' 'flow.add::<SLOPES>(&plain, 1.0);'
plant 'droop twice as large' plant.rs 'let regulator = 1e-3 / raw.droop_pa;' 'let regulator = 0.5e-3 / raw.droop_pa;'
plant 'joints change places' plant.rs 'Side::First => ((seat_a, seat_b), (joint_a, joint_b)),' 'Side::First => ((seat_a, seat_b), (joint_b, joint_a)),'
plant 'dirt never lets by' plant.rs 'if self.debris.letting_by { seat.and(leak(debris)) } else { seat }' 'seat'
plant 'a freed ball stays where it is' plant.rs '        } else {
            self.work_pilot(now);
        }
    }

    /// A place' '        }
    }

    /// A place'
plant 'too few steps in a stroke' plant.rs 'const STROKE_STEPS: f64 = 32.0;' 'const STROKE_STEPS: f64 = 1.0;'
plant 'a switching is noticed a step late' plant.rs 'if limit < self.step.end() {
            let equations' 'if false {
            let equations'
plant 'the integrator takes any step' rodas.rs 'if error <= 1.0 || forced {' 'if error <= 1e4 || forced {'
plant 'a coefficient with one digit wrong' rodas.rs '3.314_825_187_068_521' '3.314_925_187_068_521'
plant 'a coefficient of the cubic wrong' rodas.rs '24.767_225_114_183_86' '24.768_225_114_183_86'
plant 'the least step too long' rodas.rs 'const H_MIN: f64 = 1e-12;' 'const H_MIN: f64 = 1e-9;'
plant 'an entry of the Jacobian wrong' network.rs 'sum.jac[CREEP][LINE_ENERGY] += by_line;' 'sum.jac[CREEP][LINE_ENERGY] -= by_line;'
plant 'friction helps' actuator.rs 'let friction = if opening { self.friction } else { -self.friction };' 'let friction = if opening { -self.friction } else { self.friction };'
plant 'lag half as long' sensor.rs '-f64::from(period_ms) * 1e-3 / lag_s' '-f64::from(period_ms) * 2e-3 / lag_s'
plant 'no hysteresis' sensor.rs 'held.clamp(value - self.hysteresis, value + self.hysteresis)' 'value'
plant 'drift stands still' sensor.rs 'self.offset += self.drift;' ''
plant 'no end of range' sensor.rs 'seen.min(self.range)' 'seen'
plant 'pink noise is white' sensor.rs 'let row = (self.count.trailing_zeros() as usize).min(ROWS - 1);' 'let row = (self.count as usize) % ROWS;'
plant 'a slipped conversion keeps its number' sensor.rs '    pub(crate) fn miss_sample(&mut self) {
        self.number = self.number.wrapping_add(1);' '    pub(crate) fn slip(&mut self) {
        self.number = self.number.wrapping_add(0);'
plant 'a stuck channel is free' channel_fault.rs 'Some(ChannelFault::Stuck) => Sample { counts: last.counts, ..sample },' 'Some(ChannelFault::Stuck) => sample,'
plant 'the half-shut lever is shut' operator.rs 'self.plan(hand, Act::Lever(0.5))' 'self.plan(hand, Act::Lever(0.0))'
plant 'a fault that never ends' fault.rs 'State::On(since) if fault.lasts.is_some_and(|lasts| now >= since + lasts)' 'State::On(since) if false && fault.lasts.is_some_and(|lasts| now >= since + lasts)'
plant 'streams of chance fall together' noise.rs 'seed ^ (stream as u64)' 'seed ^ (stream as u64 & 0)'

case ${1:-} in
--list) printf '%s\n' "${names[@]}"; exit ;;
--check)
    stale=0
    for i in "${!names[@]}"; do
        whole=$(cat "${files[i]}")
        rest=${whole#*"${olds[i]}"}
        if [ "$rest" = "$whole" ] || [ "${rest#*"${olds[i]}"}" != "$rest" ]; then
            printf '%s: the text to change does not stand once in %s\n' "${names[i]}" "${files[i]}" >&2
            stale=$((stale + 1))
        fi
    done
    printf '%s texts, %s stale\n' "${#names[@]}" "$stale"
    [ "$stale" = 0 ]
    exit
    ;;
--help | -h) sed -n '2,12s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"; exit ;;
esac

dir=${MUTATIONS_DIR:-$(mktemp -d)}
[ -n "${MUTATIONS_DIR:-}" ] || trap 'rm -rf "$dir"' EXIT
# Only what the tests of the plant need, so that a mistake costs seconds and not the whole workspace: the simulator, and
# the tests as a package by themselves.
rm -rf "$dir/copy"
mkdir -p "$dir/copy/plant/src" "$dir/copy/plant/tests" "$dir/copy/tests"
cp -r sequencer sim "$dir/copy/" && rm -rf "$dir/copy/sequencer/boards"
cp tests/src/lsoda.rs "$dir/copy/plant/src/"
cp -r tests/tests/plant "$dir/copy/plant/tests/"
cp -r tests/reference "$dir/copy/plant/"
cp Cargo.lock "$dir/copy/"
sed -e '/^members = /,/\]$/c members = ["sequencer", "sim", "plant"]' -e '/^default-members/d' -e '/^exclude/d' \
    Cargo.toml >"$dir/copy/Cargo.toml"
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
suites=(
    'test -q -p seathold-plant-tests --test plant physics::'
    'test -q -p seathold-plant-tests --test plant lsoda::'
    'test -q -p seathold-sim'
    'test -q -p seathold-plant-tests --test plant faults::'
    'test -q -p seathold-plant-tests --test plant two_sides::'
    'test -q -p seathold-plant-tests --test plant extremes::'
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
    path=${files[i]}
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
