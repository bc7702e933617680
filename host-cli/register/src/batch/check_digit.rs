//! Check digits: one character of a serial that reveals a misread one.

/// A check digit scheme.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckDigit {
    /// The last digit checks the other digits (ISO/IEC 7812-1, annex B: the "Luhn" formula); letters do not count.
    Luhn,
    /// The last character checks letters and digits (ISO 7064, MOD 37,36).
    Mod3736,
}

impl CheckDigit {
    /// As in the register.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Luhn => "luhn",
            Self::Mod3736 => "mod-37-36",
        }
    }

    /// From the register.
    pub fn of(word: &str) -> Option<Self> {
        [Self::Luhn, Self::Mod3736].into_iter().find(|d| d.word() == word)
    }

    /// Whether a serial fits its check digit. Dashes and the like do not count, nor does the case of letters.
    pub fn fits(self, serial: &str) -> bool {
        match self {
            Self::Luhn => luhn(serial),
            Self::Mod3736 => mod_37_36(serial),
        }
    }
}

/// From the right, every second digit doubled and its digits added: the sum is a multiple of ten.
fn luhn(serial: &str) -> bool {
    let digits: Vec<u32> = serial.chars().filter_map(|c| c.to_digit(10)).collect();
    let sum: u32 = digits
        .iter()
        .rev()
        .enumerate()
        .map(|(i, digit)| match (i % 2, digit * 2) {
            (0, _) => *digit,
            (_, twice) => twice / 10 + twice % 10,
        })
        .sum();
    digits.len() > 1 && sum.is_multiple_of(10)
}

/// ISO 7064, hybrid system MOD 37,36: the product starts at 36; each character is added, modulo 36 with 36 for 0, and
/// doubled modulo 37; product and check character together are 1 modulo 36.
fn mod_37_36(serial: &str) -> bool {
    let values: Vec<u32> = serial.chars().filter(char::is_ascii_alphanumeric).filter_map(|c| c.to_digit(36)).collect();
    let Some((check, rest)) = values.split_last() else { return false };
    let product = rest.iter().fold(36, |product, value| {
        let sum = (product + value) % 36;
        (if sum == 0 { 36 } else { sum }) * 2 % 37
    });
    !rest.is_empty() && (product + check) % 36 == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The customary example of the Luhn formula, 7992739871 with check digit 3 (from memory); every other digit is
    /// refused.
    #[test]
    fn luhn_by_a_known_number() {
        for digit in 0..10 {
            assert_eq!(CheckDigit::Luhn.fits(&format!("7992739871{digit}")), digit == 3);
        }
    }

    /// The example of the Global Release Identifier standard, A1-2425G-ABC1234002-M, whose last character is by ISO
    /// 7064 MOD 37,36 (from memory).
    #[test]
    fn mod_37_36_by_a_known_number() {
        assert!(CheckDigit::Mod3736.fits("A1-2425G-ABC1234002-M"));
        assert!(!CheckDigit::Mod3736.fits("A1-2425G-ABC1234002-N"));
    }

    /// Both find every single wrong digit, and MOD 37,36 every single wrong character.
    #[test]
    fn one_wrong_character_is_always_found() {
        let good = "A12425GABC1234002M";
        for (at, was) in good.char_indices() {
            for other in ('0'..='9').chain('A'..='Z').filter(|c| *c != was) {
                let mut text = good.to_owned();
                text.replace_range(at..=at, &other.to_string());
                assert!(!CheckDigit::Mod3736.fits(&text), "{text}");
            }
        }
        let good = "79927398713";
        for (at, was) in good.char_indices() {
            for other in ('0'..='9').filter(|c| *c != was) {
                let mut text = good.to_owned();
                text.replace_range(at..=at, &other.to_string());
                assert!(!CheckDigit::Luhn.fits(&text), "{text}");
            }
        }
    }
}
