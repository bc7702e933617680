//! Sums, products, quotients and comparisons of doubles, and quotients of whole numbers: whatever does them on a machine, the
//! results are the same to the bit.

use crate::tell::{Running, Tell};
use crate::trace::Noise;
use core::hint::black_box;

/// Upper halves at which something happens: zero, subnormal and least normal numbers, numbers about 1 and about the last
/// that are whole, the largest, infinity and NaN.
const HIGH: [u32; 16] = [
    0,
    1,
    0x000f_ffff,
    0x0010_0000,
    0x001f_ffff,
    0x2000_0000,
    0x3fe0_0000,
    0x3fef_ffff,
    0x3ff0_0000,
    0x4000_0000,
    0x4340_0000,
    0x5fef_ffff,
    0x7fd0_0000,
    0x7fef_ffff,
    0x7ff0_0000,
    0x7ff8_0000,
];

/// Lower halves at which products and sums are halfway between two doubles, or just not.
const LOW: [u32; 5] = [0, 1, 0x0400_0001, 0x8000_0000, 0xffff_ffff];

/// Pairs at random beside all pairs of the above.
const RANDOM: u32 = 20_000;

/// A check over the results of each operation, and how many there were.
struct Checks {
    pairs: u32,
    sum: Running,
    product: Running,
    quotient: Running,
    order: Running,
    whole: Running,
}

impl Checks {
    fn pair(&mut self, a: u64, b: u64) {
        let (x, y) = (black_box(f64::from_bits(a)), black_box(f64::from_bits(b)));
        note(&mut self.sum, x + y);
        note(&mut self.sum, x - y);
        note(&mut self.product, x * y);
        note(&mut self.quotient, x / y);
        self.order.update(&[u8::from(x < y), u8::from(x > y), u8::from(x <= y), u8::from(x >= y), u8::from(x == y)]);
        if let (Some(quotient), Some(rest)) = (a.checked_div(b), a.checked_rem(b)) {
            self.whole.update(&quotient.to_le_bytes());
            self.whole.update(&rest.to_le_bytes());
            self.whole.update(&(a as i64).wrapping_div(b as i64).to_le_bytes());
            self.whole.update(&(a as i64).wrapping_rem(b as i64).to_le_bytes());
        }
        self.pairs += 1;
    }
}

/// Machines differ in which NaN they give.
fn note(check: &mut Running, value: f64) {
    let bits = if value.is_nan() { f64::NAN.to_bits() } else { value.to_bits() };
    check.update(&bits.to_le_bytes());
}

fn hard() -> impl Iterator<Item = u64> {
    HIGH.into_iter().flat_map(|high| {
        LOW.into_iter().flat_map(move |low| [0, 1 << 63].map(|sign| sign | u64::from(high) << 32 | u64::from(low)))
    })
}

/// Reports a check over each operation.
#[inline(never)]
pub fn run(tell: &mut impl Tell) {
    let mut checks = Checks {
        pairs: 0,
        sum: Running::default(),
        product: Running::default(),
        quotient: Running::default(),
        order: Running::default(),
        whole: Running::default(),
    };
    for a in hard() {
        for b in hard() {
            checks.pair(a, b);
        }
    }
    let mut noise = Noise::new(0x2545_f491);
    for _ in 0..RANDOM {
        let mut word = || u64::from(noise.word()) << 32 | u64::from(noise.word());
        let (a, b, near) = (word(), word(), word());
        checks.pair(a, b);
        // With an exponent a few apart, and bits that are mostly the same, as differences cancel.
        let close = a.wrapping_add(near >> 9 >> (near & 0x3f)).wrapping_add((near & 0x1c0) << 47);
        checks.pair(a, close);
        // Shorter whole numbers.
        checks.pair(a, b >> (near & 0x3f));
    }
    let Checks { pairs, sum, product, quotient, order, whole } = checks;
    for (what, check) in
        [("sum", sum), ("product", product), ("quotient", quotient), ("order", order), ("whole", whole)]
    {
        tell.line(format_args!("arithmetic {what} pairs {pairs} check {:016x}", check.finish()));
    }
}
