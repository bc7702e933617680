//! The sequencer's events, verdicts and faults in plain words.

use seathold_quantity::{Dimension, UnitDef};
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::event::{Disconnect, Disturbance, Event, Fault, Phase, StartRefusal};
use seathold_sequencer::field::Unit;
use seathold_sequencer::input::{Prompt, Side, Sides};
use seathold_sequencer::measure::{Budget, Contribution, LeakEstimate};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::units::GaugePressure;
use seathold_sequencer::verdict::{Diagnosis, Evidence, Reason, SideResult, Suspect, Verdict};

/// Formats numbers in the units the user writes.
#[derive(Clone, Copy, Debug)]
pub struct UnitFormat {
    leak: UnitDef,
    pressure: UnitDef,
    reference_pa: f64,
    reference_k: f64,
}

impl UnitFormat {
    /// For a recipe, in the units it was written in.
    pub fn new(recipe: &RawRecipe, shown: &DisplayUnits) -> Self {
        let leaks = Dimension(Unit::PascalCubicMetrePerSecond);
        let pressures = Dimension(Unit::Pascal);
        Self {
            leak: leaks.symbol(&shown.leak).unwrap_or(leaks.usual()),
            pressure: pressures.symbol(&shown.pressure).unwrap_or(pressures.usual()),
            reference_pa: recipe.reference_pa,
            reference_k: recipe.reference_k,
        }
    }

    /// A pressure: "6.004 bar".
    pub fn pressure(&self, pascals: i32) -> String {
        let places = match self.pressure.text {
            "bar" => 3,
            "MPa" => 4,
            "kPa" | "mbar" | "hPa" => 1,
            "psi" => 2,
            _ => 0,
        };
        // Adding zero turns −0 into 0.
        let value = self.pressure.from_base(f64::from(pascals), 1.0) + 0.0;
        let text = format!("{value:.places$}");
        let text =
            text.strip_prefix('-').filter(|rest| rest.bytes().all(|b| matches!(b, b'0' | b'.'))).unwrap_or(&text);
        format!("{text} {}", self.pressure.pretty())
    }

    /// The unit of pressures.
    pub fn pressure_unit(&self) -> String {
        self.pressure.pretty()
    }

    /// A pressure in the unit of pressures, as a number.
    pub fn pressure_number(&self, pascals: f64) -> f64 {
        self.pressure.from_base(pascals, 1.0)
    }

    /// The unit of leaks.
    pub fn leak_unit(&self) -> String {
        self.leak.pretty()
    }

    /// A leak in the unit of leaks, as a number.
    pub fn leak_number(&self, pa_m3_s: f64) -> f64 {
        self.leak.from_base(pa_m3_s, self.reference_pa)
    }

    /// A limit: "7.5 mm³/s".
    pub fn limit(&self, pa_m3_s: f64) -> String {
        self.leak.write_pretty(Dimension(Unit::PascalCubicMetrePerSecond), pa_m3_s, self.reference_pa)
    }

    /// A leak is never printed without its uncertainty: "0.42 ± 0.31 mm³/s". The uncertainty has two significant digits
    /// and the leak as many places (JCGM 100:2008, 7.2.6).
    pub fn leak(&self, estimate: &LeakEstimate) -> String {
        self.plus_minus(estimate.leak.pa_m3_s(), estimate.expanded.pa_m3_s())
    }

    /// A value with its half-width.
    pub fn plus_minus(&self, leak_pa_m3_s: f64, half_pa_m3_s: f64) -> String {
        let (leak, half) = (self.leak_number(leak_pa_m3_s), self.leak_number(half_pa_m3_s));
        let unit = self.leak_unit();
        // Beyond these, plain places would be all zeros, or too many digits to read.
        if half <= 0.0 || (1e-5..1e7).contains(&half) || !half.is_finite() {
            return format!("{} {unit}", with_half_width(leak, half));
        }
        let power = half.log10().floor() as i32;
        let scale = 10f64.powi(power);
        format!("({:.1} ± {:.1})e{power} {unit}", leak / scale + 0.0, half / scale)
    }

    /// The reference conditions of leaks: "20 °C and 100 kPa".
    pub fn reference(&self) -> String {
        let (celsius, kpa) = self.reference_parts();
        format!("{celsius} and {kpa}")
    }

    /// Their temperature and their pressure, each with its unit.
    pub fn reference_parts(&self) -> (String, String) {
        let written = |unit: Unit, value| Dimension(unit).usual().write_pretty(Dimension(unit), value, 1.0);
        (written(Unit::Kelvin, self.reference_k), written(Unit::PascalAbsolute, self.reference_pa))
    }

    /// One event as a line, or nothing where it is not worth one.
    pub fn event(&self, event: &Event) -> Option<String> {
        Some(match event {
            Event::Entered { phase: Phase::Ready, .. } => phase_line(Phase::Ready),
            Event::Entered { phase, side } => match side {
                Some(side) => format!("{}: {}", side_name(*side), phase_line(*phase)),
                None => phase_line(*phase),
            },
            Event::Prompted(prompt) => format!("PLEASE {}", prompt_words(*prompt)),
            Event::Refused(refusal) => format!("not started: {}", refused(*refusal)),
            Event::Zeroed { offset, peak_to_peak_pa } => format!(
                "zero taken: offset {}, peak to peak {}",
                self.fine(offset.pascals()),
                self.fine(i32::try_from(*peak_to_peak_pa).unwrap_or(i32::MAX)),
            ),
            Event::Isolated { at } => format!("valve shut at {}", self.gauge(*at)),
            Event::Restarted(why) => format!("window restarted: {}", disturbance(*why)),
            Event::InterimEstimate(_) => return None,
            Event::SideFinished(result) => format!("{}: {}", side_name(result.side), self.judged(result)),
            // Of the sides that the run was to test: one side alone proves no valve.
            Event::RunFinished { verdict, .. } => format!("verdict: {}", verdict_word(*verdict)),
            Event::Faulted(why) => format!("FAULT {}", fault(*why).0),
            Event::Aborted => "aborted by the operator".into(),
            Event::Acknowledged => "fault acknowledged".into(),
            Event::Reminder(phase) => format!("still waiting: {}", phase_line(*phase)),
            Event::Disconnect(is) => disconnect(*is),
        })
    }

    fn gauge(&self, pressure: GaugePressure) -> String {
        self.pressure(pressure.pascals())
    }

    /// Small differences read better in pascals than as 0.001 bar.
    fn fine(&self, pascals: i32) -> String {
        if pascals.abs() < 10_000 { format!("{pascals} Pa") } else { self.pressure(pascals) }
    }

    /// A side's result without the side: "tight, 0.42 ± 0.31 mm³/s".
    pub fn judged(&self, result: &SideResult) -> String {
        let verdict = verdict_word(result.verdict);
        match &result.estimate {
            Some(estimate) => format!("{verdict}, {}", self.leak(estimate)),
            None => format!("{verdict}: {}", self.reason(result)),
        }
    }

    /// The reason for a side's verdict.
    pub fn reason(&self, result: &SideResult) -> String {
        let fell =
            || format!("{} in {:.1} s after shutting", self.pressure(result.fall_pa), f64::from(result.after_ms) / 1e3);
        match result.reason {
            Reason::Measured => "the leak and its guard band lie on one side of the limit".into(),
            Reason::MaximumTime => {
                "the longest measuring time is over, and the window was too short or the limit still lies within the guard band".into()
            }
            Reason::GrossFall => format!("gross leak: the trapped pressure fell by {}", fell()),
            Reason::WentWithSupply => format!("the far side emptied with the supply side: it fell by {}", fell()),
            Reason::Rise => "the trapped pressure rose, which no leak out can explain".into(),
            Reason::SupplyNotEmpty => {
                "the supply side did not stay empty: the supply valve passes, or the vent is blocked".into()
            }
            Reason::NotEmpty => "the far side was not empty before filling".into(),
            Reason::Disturbed => "the readings were disturbed too often to finish a window".into(),
            Reason::OutOfBand => "the trapped pressure left the range that the fit may be used in".into(),
            Reason::Aborted => "aborted by the operator".into(),
            Reason::Fault => "a fault touched the run".into(),
            Reason::NotSwapped => "the ends were not swapped in time".into(),
        }
    }
}

/// Effective degrees of freedom, cut to a whole number (JCGM 100:2008, G.4.1). Beyond ten thousand Student's quantiles
/// are the normal ones to four digits, and the number means nothing.
pub fn freedom(degrees: f64) -> String {
    if degrees > 1e4 { "over 10 000".into() } else { format!("{:.0}", degrees.floor()) }
}

/// A contribution to the uncertainty of a leak.
pub const fn contribution_name(contribution: Contribution) -> &'static str {
    match contribution {
        Contribution::Fit => "noise of the readings",
        Contribution::Curve => "which curve the gas follows",
        Contribution::Resolution => "quantisation of the converter",
        Contribution::Volume => "far volume",
        Contribution::Gain => "sensor gain",
        Contribution::Temperature => "drift of the gas temperature",
        Contribution::Background => "background leak of the rig",
        Contribution::Law => "how the leak grows with pressure",
    }
}

/// The standard uncertainties that combine in an estimate, with their names, in Pa·m³/s.
pub fn budget_parts(budget: &Budget) -> [(&'static str, f64); 8] {
    Contribution::ALL.map(|contribution| (contribution_name(contribution), contribution.of(budget)))
}

/// "first side".
pub const fn side_name(side: Side) -> &'static str {
    match side {
        Side::First => "first side",
        Side::Second => "second side",
    }
}

/// The end of the valve on the supply side.
pub const fn supply_end(side: Side) -> &'static str {
    match side {
        Side::First => "A",
        Side::Second => "B",
    }
}

/// The sides of a run.
pub const fn sides(sides: Sides) -> &'static str {
    match sides {
        Sides::Both => "both sides",
        Sides::First => "first side only",
        Sides::Second => "second side only",
    }
}

/// A phase in a word or two.
pub const fn phase_name(phase: Phase) -> &'static str {
    match phase {
        Phase::StartUp => "start-up",
        Phase::Ready => "ready",
        Phase::Precheck => "precheck",
        Phase::Fill => "fill",
        Phase::Soak => "soak",
        Phase::Isolate => "isolate",
        Phase::Vent => "vent",
        Phase::Settle => "settle",
        Phase::Measure => "measure",
        Phase::SafeVent => "safe vent",
        Phase::Swap => "swap",
        Phase::Fault => "fault",
        Phase::Trapped => "trapped",
        Phase::EmergencyStopped => "emergency stopped",
        Phase::OutputTest => "output test",
    }
}

/// A phase with what happens in it.
pub(crate) fn phase_line(phase: Phase) -> String {
    let happens = match phase {
        Phase::StartUp => "reading the far side, everything at rest",
        Phase::Ready => "everything at rest",
        Phase::Precheck => "taking zero of the empty far side",
        Phase::Fill => "opening the valve, then letting air in",
        Phase::Soak => "fed at pressure while the gas settles",
        Phase::Isolate => "shutting the valve",
        Phase::Vent => "venting the supply side",
        Phase::Settle => "waiting for gas and seats",
        Phase::Measure => "watching the trapped pressure",
        Phase::SafeVent => "opening the valve into the vent",
        Phase::Swap => "waiting for the ends to be swapped",
        Phase::Fault => "waiting for you to acknowledge, everything at rest",
        Phase::OutputTest => "one output, without air",
        // What matters comes first.
        Phase::Trapped => return "PRESSURE MAY BE TRAPPED on the far side".into(),
        Phase::EmergencyStopped => return "emergency-stopped at rest: PRESSURE MAY BE TRAPPED".into(),
    };
    format!("{}: {happens}", phase_name(phase))
}

/// A prompt to the operator, after "please".
pub const fn prompt_words(prompt: Prompt) -> &'static str {
    match prompt {
        Prompt::OpenValve => "turn the lever to OPEN",
        Prompt::ShutValve => "turn the lever to SHUT",
        Prompt::OpenToVent => "turn the lever to OPEN (air blows off at the silencer)",
        Prompt::WorkLever => "turn the lever to SHUT and OPEN again (empties the cavity)",
        Prompt::SwapEnds => "swap the ends (end B to the supply side), shut the bleed, close the guard",
        Prompt::OpenBleed => "open the BLEED slowly and look at its gauge: confirm only when the gauge reads zero",
    }
}

/// What is known of the pressure behind a fitting, after "far side".
pub const fn far_side(is: Disconnect) -> &'static str {
    match is {
        Disconnect::Pressurised => "NOT known to be empty: treat as PRESSURISED, touch no fitting",
        Disconnect::CavityUnknown => {
            "reads empty, the ball's CAVITY MAY HOLD PRESSURE: open the bleed, look at the gauge; \
             turn the ball half-open by hand before the body is opened"
        }
        Disconnect::ReadsEmpty => "reads empty: open the bleed and look at the gauge before a fitting is loosened",
        Disconnect::Confirmed => "reads empty, bleed open and gauge at zero, confirmed by the operator",
    }
}

/// The same at the end of a run. The bleed has no place in its middle: there it would blow.
pub(crate) fn far_side_at_end(is: Disconnect) -> String {
    let then = if is.reads_empty() { "" } else { "; open the hand bleed slowly, look at its gauge" };
    format!("{}{then}", far_side(is))
}

/// The same by itself, as it is now. For a run that is over, nothing is said of what may be done with a fitting.
pub fn disconnect(is: Disconnect) -> String {
    let may = if is == Disconnect::Confirmed { ": fittings may be loosened" } else { "" };
    format!("far side {}{may}", far_side(is))
}

/// Each condition that forbade a start.
pub fn refused(refusal: StartRefusal) -> String {
    let conditions = [
        (refusal.busy, "a run, a fault or a vent is in progress"),
        (refusal.no_recipe, "no recipe is loaded"),
        (refusal.stop_pressed, "the emergency stop is pressed"),
        (refusal.guard_open, "the guard is open"),
        (refusal.far_sensor, "the far-side transducer is not healthy"),
        (refusal.supply_sensor, "the supply-side transducer is not healthy"),
        (refusal.far_not_empty, "the far side does not read empty"),
        (refusal.supply_not_empty, "the supply side does not read empty"),
        (refusal.readback_mismatch, "an output does not follow its command"),
        (refusal.guard_not_opened, "the guard has not been opened since: were the ends swapped?"),
        (refusal.link_down, "the operator cannot be reached"),
    ];
    let failing: Vec<&str> = conditions.iter().filter(|(is, _)| *is).map(|(_, text)| *text).collect();
    failing.join("; ")
}

/// What disturbed a window.
pub const fn disturbance(why: Disturbance) -> &'static str {
    match why {
        Disturbance::Missing => "a reading is missing",
        Disturbance::Repeated => "a reading came twice",
        Disturbance::Implausible => "the transducer gave an impossible reading",
        Disturbance::Jump => "the pressure jumped by more than noise can explain",
        Disturbance::Step => "a step or knock shows between the means of readings",
        Disturbance::Curvature => "the gas is still settling, or something warms or cools it",
        Disturbance::Thermometer => "the thermometer is silent or faulty",
        Disturbance::Frozen => "the far-side transducer gave one and the same code",
    }
}

/// A fault: the symptom, and what to do.
pub fn fault(fault: Fault) -> (String, &'static str) {
    let (what, next) = match fault {
        Fault::EmergencyStop => (
            "the emergency stop was pressed",
            "release the stop on purpose once nobody's hand is near the ball, then acknowledge",
        ),
        Fault::GuardOpen => (
            "the guard was opened during the run",
            "close the guard and keep it closed until the far side is measured empty",
        ),
        Fault::OverPressure => (
            "the far side rose above the maximum",
            "check the regulator and the relief valve against the recipe's target and maximum",
        ),
        Fault::SupplyOverPressure => (
            "the supply side rose above the maximum",
            "shut the shop air off by hand and check the regulator and the relief valve",
        ),
        Fault::FarSensor => (
            "the far-side transducer is faulty or silent",
            "treat the far side as pressurised; open the hand bleed, then check the transducer and its cable",
        ),
        Fault::SupplySensor => ("the supply-side transducer is faulty or silent", "check the transducer and its cable"),
        Fault::Slew => ("the far-side reading changed faster than gas can", "check the transducer and its cable"),
        Fault::Clock => (
            "the controller's clock went back",
            "start the program again; if it happens again, the controller is faulty",
        ),
        Fault::Stalled => {
            ("the program stood still for too long", "close other programs on this machine, then run again")
        }
        Fault::LinkLost => ("the operator could not be reached", "check the connection, then run again"),
        Fault::Implausible => (
            "the empty far side reads too noisy, or too far below zero, to be true",
            "look for vibration, a loose cable or a shifted zero at the transducer",
        ),
        Fault::Frozen => (
            "the far-side transducer gives one and the same code",
            "check the transducer and its converter; where its last digit truly never moves, say so: far_flickers = \
             false",
        ),
        Fault::FillStalled => (
            "the far-side reading stopped rising outside the band around the target",
            "until it is shown empty treat it as pressurised: the regulator may be set too low, or too high, the valve not open, or the transducer dead or \
             blocked",
        ),
        Fault::NoSignOfLife => (
            "the far-side reading did not follow the fill and the fall",
            "treat it as PRESSURISED whatever it reads: open the hand bleed slowly, look at its gauge, then check the \
             transducer and its line",
        ),
        Fault::FillTimeout => (
            "the far side did not reach the target in time",
            "check the shop air, the regulator, and that the valve opens",
        ),
        Fault::BandLost => ("the pressure left the band while being fed", "check the regulator and for a large leak"),
        Fault::SidesDisagree => (
            "the far-side and the supply-side transducer read differently while they were joined",
            "check both against a gauge: range, zero, wiring, and that neither line is blocked",
        ),
        Fault::NotShut => {
            ("the switch on the valve did not say shut in time", "check the actuator, the spring and the switch")
        }
        Fault::VentTimeout => (
            "the supply side did not empty in time",
            "check the silencer, the vent valve, and that the supply valve shuts",
        ),
        Fault::NoAnswer(prompt) => {
            return (format!("no answer to \"{}\"", prompt_words(prompt)), "run again with somebody at the bench");
        }
        Fault::Trapped => (
            "the far side could not be emptied: PRESSURE MAY BE TRAPPED",
            "shut the shop air off, open the hand bleed at the transducer slowly, and watch its gauge; touch no \
             fitting before it reads zero",
        ),
        Fault::Output => (
            "an output did not follow its command",
            "check the solenoids, their wires and their supply; then the drivers",
        ),
        Fault::Overrun(phase) => {
            return (
                format!("phase \"{}\" exceeded its time-out", phase_name(phase)),
                "keep the recording and report it: this is a defect",
            );
        }
    };
    (what.into(), next)
}

/// "tight".
pub const fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Tight => "tight",
        Verdict::Leaking => "leaking",
        Verdict::Undecided => "undecided",
        Verdict::Void => "void",
    }
}

/// A leak path.
pub const fn suspect(suspect: Suspect) -> &'static str {
    match suspect {
        Suspect::SeatA => "the seat at end A",
        Suspect::SeatB => "the seat at end B",
        Suspect::JointA => "the joint at end A",
        Suspect::JointB => "the joint at end B",
        Suspect::Stem => "the stem packing",
        Suspect::BodyJoint => "the body joint",
        Suspect::BothSeats => "both seats",
        Suspect::RigFitting => "a fitting of the rig on the far side",
        Suspect::NotClosing => "the valve does not shut",
        Suspect::SupplyValve => "the rig's supply valve lets air by",
    }
}

/// The observation behind a diagnosis.
pub const fn evidence(evidence: Evidence) -> &'static str {
    match evidence {
        Evidence::NothingLeaks => "both sides kept their pressure",
        Evidence::OneSideOnly => "the other side has no verdict to compare with",
        Evidence::FirstSideOnly => "only the first side leaks (end A on supply), so it is not a part both sides share",
        Evidence::SecondSideOnly => {
            "only the second side leaks (end B on supply), so it is not a part both sides share"
        }
        Evidence::BothAlike => {
            "both sides leak by the same amount, so it is a part both sides share; a blank run of the rig rules its \
             fittings in or out"
        }
        Evidence::BothUnlike => "both sides leak, by different amounts",
        Evidence::WentWithSupply => "the far side emptied together with the supply side",
        Evidence::Rose => "the trapped pressure rose",
    }
}

/// Where a leak probably is, in a sentence or two.
pub fn diagnosis(diagnosis: &Diagnosis) -> String {
    let seen = evidence(diagnosis.evidence);
    let places: Vec<&str> = diagnosis.suspects.iter().map(|s| suspect(*s)).collect();
    match places.as_slice() {
        [] if diagnosis.evidence == Evidence::NothingLeaks => format!("nothing leaks: {seen}"),
        [] if diagnosis.evidence == Evidence::OneSideOnly => format!("no leak found where a side was judged; {seen}"),
        [] => format!("cannot tell: {seen}"),
        [one] => format!("{one} (observed: {seen})"),
        several => format!("likeliest first: {} (observed: {seen})", several.join(", ")),
    }
}

/// A value with its half-width: two significant digits of the half-width, and the value to as many places
/// (JCGM 100:2008, 7.2.6).
pub fn with_half_width(value: f64, half: f64) -> String {
    if half <= 0.0 || !half.is_finite() {
        return format!("{} ± {half}", FourDigits(value));
    }
    let digits = 1 - half.log10().floor() as i32;
    if digits < 0 {
        // Whole tens, hundreds and so on; adding zero turns −0 into 0.
        let scale = 10f64.powi(-digits);
        let whole = |x: f64| (x / scale).round() * scale + 0.0;
        return format!("{:.0} ± {:.0}", whole(value), whole(half));
    }
    let places = digits.clamp(0, 9) as usize;
    let text = format!("{value:.places$}");
    let text = if text.trim_start_matches(['-', '0', '.']).is_empty() {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    };
    format!("{text} ± {half:.places$}")
}

/// A number with four significant digits.
#[derive(Clone, Copy, Debug)]
pub struct FourDigits(pub f64);

impl std::fmt::Display for FourDigits {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self(value) = self;
        if *value != 0.0 && !(1e-3..1e5).contains(&value.abs()) {
            return write!(f, "{value:.3e}");
        }
        if *value == 0.0 {
            return write!(f, "{value:.0}");
        }
        // The power of ten of the rounded number: 0.099999 is 0.1000.
        let rounded: f64 = format!("{value:.3e}").parse().unwrap_or(*value);
        let places = (3.0 - rounded.abs().log10().floor()).max(0.0);
        write!(f, "{rounded:.*}", places as usize)
    }
}

/// From this on, readings that wander are said to, in hundredths of what white noise would leave (our judgement).
const WANDERING_PERCENT: u32 = 160;

/// What to look for where the readings wander more than white noise does.
pub fn wandering(estimate: &LeakEstimate) -> Option<String> {
    let percent = estimate.autocorrelation_percent;
    (percent >= WANDERING_PERCENT).then(|| {
        format!(
            "the readings wander ({:.1} times the noise between neighbours, allowed for in ±): look at the curve for \
             knocks, for a transducer that drifts, and for a leak in bursts, as with dirt in the seat; one that pauses \
             for longer than the window is not seen",
            f64::from(percent) / 100.0
        )
    })
}

/// "1 run", "2 runs".
pub fn counted(n: impl Into<u64>, one: &str) -> String {
    let n: u64 = n.into();
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

#[cfg(test)]
mod half_width_tests {
    use super::*;

    /// Two significant digits of the half-width, without a power of ten unless it is truly tiny.
    #[test]
    fn plain_decimals() {
        assert_eq!(with_half_width(20.02, 129.6), "20 ± 130");
        assert_eq!(with_half_width(-0.4, 1_300.0), "0 ± 1300");
        assert_eq!(with_half_width(0.1, 0.31), "0.10 ± 0.31");
        assert_eq!(with_half_width(12.3, 45.6), "12 ± 46");
        let four = |value| FourDigits(value).to_string();
        assert_eq!(
            [four(0.1), four(0.099_999_99), four(9.9999), four(-12.345_67)],
            ["0.1000", "0.1000", "10.00", "-12.35"]
        );
        assert_eq!(
            [four(0.0), four(99_999.9), four(0.000_999_99), four(f64::INFINITY)],
            ["0", "100000", "1.000e-3", "inf"]
        );
        let units =
            UnitFormat::new(&RawRecipe::DEMO, &DisplayUnits { leak: "mm3/s".into(), ..DisplayUnits::default() });
        assert_eq!(units.plus_minus(2e-6, 0.013), "0 ± 130 mm³/s");
        assert_eq!(units.plus_minus(2e-13, 1.3e-11), "(0.0 ± 1.3)e-7 mm³/s");
    }
}
