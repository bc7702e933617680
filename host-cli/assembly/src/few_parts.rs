//! Few fittings to few bodies of their own lengths, exactly: a table over all sets of fittings that are used up, a body at a time.

/// The most fittings: a table of all their sets is a million cells, and as many bytes a body.
const FITTINGS_MAX: usize = 20;
/// The most bytes that are kept of what each body made of each set.
const TAKEN_MAX: usize = 16 << 20;
/// The most steps, so that it ends soon: a set and a pair that is tried with it is one.
const STEPS_MAX: usize = 40_000_000;

/// Not reached.
const NONE: u64 = u64::MAX;

/// The most triples of a body and two fittings with a sum in the interval, and of those ways one with the least sum of squared distances
/// from `wanted`. `None` where there are too many parts for that.
pub(crate) fn best(
    bodies: &[i64],
    fittings: &[i64],
    within: (i64, i64),
    wanted: i64,
) -> Option<Vec<(usize, [usize; 2])>> {
    let n = fittings.len();
    if n > FITTINGS_MAX || bodies.len() > TAKEN_MAX >> n {
        return None;
    }
    let farthest = within.0.abs_diff(wanted).max(within.1.abs_diff(wanted));
    farthest.checked_mul(farthest)?.checked_mul(bodies.len() as u64).filter(|most| *most < NONE)?;
    let pairs: Vec<[usize; 2]> = (0..n).flat_map(|a| (a + 1..n).map(move |b| [a, b])).collect();
    // Pairs are counted by a byte, from one on.
    debug_assert!(pairs.len() < usize::from(u8::MAX), "{FITTINGS_MAX} fittings have fewer pairs than that");
    let sets = 1usize << n;
    let mut least = vec![NONE; sets];
    least[0] = 0;
    let mut taken: Vec<Vec<u8>> = Vec::with_capacity(bodies.len());
    let mut steps = 0;
    for body in bodies {
        let fit = |(at, pair): (usize, &[usize; 2])| {
            let sum = body + fittings[pair[0]] + fittings[pair[1]];
            let bits = 1usize << pair[0] | 1 << pair[1];
            (within.0..=within.1).contains(&sum).then(|| (at, bits, sum.abs_diff(wanted).pow(2)))
        };
        let fit: Vec<(usize, usize, u64)> = pairs.iter().enumerate().filter_map(fit).collect();
        let mut with = vec![0u8; sets];
        // From the largest set down: what this body makes of one is never built upon by itself.
        for set in (0..sets).rev().filter(|set| least[*set] != NONE).collect::<Vec<_>>() {
            steps += fit.len();
            if steps > STEPS_MAX {
                return None;
            }
            for (at, bits, square) in &fit {
                if set & bits == 0 && least[set] + square < least[set | bits] {
                    least[set | bits] = least[set] + square;
                    with[set | bits] = *at as u8 + 1;
                }
            }
        }
        taken.push(with);
    }
    let reached = (0..sets).filter(|set| least[*set] != NONE);
    let mut set = reached.min_by_key(|set| (usize::BITS - set.count_ones(), least[*set]))?;
    let mut triples = Vec::new();
    for (body, with) in taken.iter().enumerate().rev() {
        if let Some(at) = with[set].checked_sub(1) {
            let pair = pairs[usize::from(at)];
            set &= !(1 << pair[0] | 1 << pair[1]);
            triples.push((body, pair));
        }
    }
    Some(triples)
}
