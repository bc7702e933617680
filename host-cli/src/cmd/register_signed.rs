//! `seathold register key`, `head`, and the signatures and heads that `register verify` looks at.

use std::path::{Path, PathBuf};

use seathold_recording::file::{self, Replace, read_text_at_most};
use seathold_register::signed::SignedChain;
use seathold_register::signed::head::{Head, SCHEMA, SinceHead};
use seathold_register::verify::VerifiedChain;
use seathold_register::{Access, Register};
use seathold_signing::PublicKey;
use seathold_text::messages::counted;

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// Longest file of heads that is read, in bytes.
const HEADS_MAX: u64 = 1 << 20;

/// What a `verify` was asked to compare with.
#[derive(Debug, Default)]
pub(super) struct KnownElsewhere<'a> {
    /// Files of heads that were kept elsewhere.
    pub since: &'a [PathBuf],
    /// Public part of a bench's key.
    pub key: Option<&'a PathBuf>,
}

/// Makes a key for the bench of a register and states it.
pub(super) fn make_key(path: &Path, operator: &str, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut register = Register::open(path, Access::Write)?;
    let key = register.make_key(operator, console.clock.now())?;
    say_key(path, &key, console)
}

/// Names a key that was made.
pub(super) fn say_key(path: &Path, key: &PublicKey, console: &mut Console<'_>) -> Result<Exit, Error> {
    let path = path.display();
    writeln!(
        console.out,
        "{path}.key: made; records are signed with it. Keep it at the bench, and give {path}.key.pub to whoever checks them\n\
         fingerprint {}",
        key.fingerprint()
    )?;
    Ok(Exit::Good)
}

/// Writes where the chains end.
pub(super) fn head(path: &Path, out: Option<&PathBuf>, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(path, Access::Read)?;
    let mut text = String::new();
    for head in register.heads()? {
        // Texts and a number: nothing that JSON cannot write.
        text += &serde_json::to_string(&head).unwrap_or_default();
        text.push('\n');
    }
    match out {
        Some(out) => {
            file::write(out, text.as_bytes(), Replace::Never)?;
            writeln!(console.out, "{}", out.display())?;
        }
        None => write!(console.out, "{text}")?,
    }
    Ok(Exit::Good)
}

/// What of a chain is signed, in words; none where it has no key.
pub(super) fn signed_words(signed: &SignedChain) -> Option<String> {
    let first = signed.keys.first()?;
    let last = signed.keys.last()?;
    let mut text = format!(
        "{} signed since record {}, by now with the key of fingerprint {}",
        counted(signed.signed, "record"),
        first.from,
        last.key.fingerprint()
    );
    if let Some(number) = signed.first_unsigned {
        text += &format!("; {} NOT SIGNED since then, the first is {number}", counted(signed.unsigned, "record"));
    }
    if signed.unlinked > 0 {
        let records = counted(signed.unlinked, "record");
        text += &format!("; {records} before its first key PROVED BY NOTHING, as others between are missing");
    }
    for key in signed.keys.iter().filter(|key| !key.handed_over) {
        text += &format!("; THE KEY OF RECORD {} WAS NOT HANDED OVER by the one before", key.from);
    }
    Some(text)
}

/// Compares chains that are valid with what was kept elsewhere, and says what of it is so.
pub(super) fn compare(
    register: &Register,
    chains: &[VerifiedChain],
    known: &KnownElsewhere<'_>,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let mut exit = Exit::Good;
    for chain in chains {
        let Some(words) = signed_words(&chain.signed) else { continue };
        writeln!(console.out, "bench {}: {words}", chain.name)?;
        if chain.signed.unsigned > 0 || chain.signed.keys.iter().any(|key| !key.handed_over) {
            exit = Exit::NoVerdict;
        }
    }
    let key = known.key.map(|path| PublicKey::read(path)).transpose()?;
    if let Some(key) = &key {
        let vouched: Vec<&VerifiedChain> = chains.iter().filter(|chain| chain.signed.vouched_for(key)).collect();
        let fingerprint = key.fingerprint();
        if vouched.is_empty() {
            exit = Exit::Storage;
            writeln!(console.out, "NOT SIGNED, or not all of it, with the key of fingerprint {fingerprint}")?;
        } else {
            for chain in vouched {
                let what = match chain.complete {
                    true => format!("as whoever has the key of fingerprint {fingerprint} kept it"),
                    false => format!(
                        "each of these is as whoever has the key of fingerprint {fingerprint} kept it, AND OTHERS ARE MISSING: what they \
                         say is not known"
                    ),
                };
                writeln!(console.out, "bench {}: {what}", chain.name)?;
            }
        }
    }
    for path in known.since {
        for line in lines(path)? {
            let (words, good) = since(register, &line, key.as_ref())?;
            writeln!(console.out, "{}: {words}", path.display())?;
            exit = if good { exit } else { Exit::Storage };
        }
    }
    Ok(exit)
}

/// What became of a head, in words, and whether nothing is wrong.
fn since(register: &Register, known: &KnownHead, key: Option<&PublicKey>) -> Result<(String, bool), Error> {
    let KnownHead { head, from_certificate } = known;
    let signed = match (head.signature_holds(), key) {
        _ if *from_certificate => String::new(),
        (Some(false), _) => return Ok(("NOT A HEAD: its key did not sign it".into(), false)),
        (_, Some(key)) if head.public_key() != Some(*key) => {
            return Ok((format!("NOT SIGNED with the key of fingerprint {}", key.fingerprint()), false));
        }
        (Some(true), _) => ", signed".into(),
        (None, _) => ", not signed".into(),
    };
    let what = format!("record {} of bench {}{signed}", head.number, head.name);
    Ok(match register.since_head(&head.bench, head.number, &head.seal)? {
        SinceHead::Here(0) => (format!("{what}: here as it was, and the last"), true),
        SinceHead::Here(later) => (format!("{what}: here as it was, and {} since", counted(later, "record")), true),
        SinceHead::Cut(last) => {
            let why = "records were cut off, or the file is an older copy";
            (format!("{what}: NOT HERE, the chain ends at record {last}: {why}"), false)
        }
        SinceHead::Another => {
            (format!("{what}: ANOTHER RECORD is here in its place: the chain was made anew, or went apart"), false)
        }
        SinceHead::NotSelected => (format!("{what}: not among the selection here"), true),
        SinceHead::NoBench => (format!("{what}: nothing of that bench is here"), false),
    })
}

/// A place in a chain that somebody kept.
struct KnownHead {
    head: Head,
    /// Whether it is one of the records that a certificate names.
    from_certificate: bool,
}

/// Heads in a file: those of `register head`, and the records that a certificate's data name.
fn lines(path: &Path) -> Result<Vec<KnownHead>, Error> {
    let text = read_text_at_most(path, HEADS_MAX)?;
    let mut heads = Vec::new();
    for line in text.lines().filter(|line| !line.trim().is_empty()) {
        if let Some(head) = serde_json::from_str::<Head>(line).ok().filter(|head| head.schema == SCHEMA) {
            heads.push(KnownHead { head, from_certificate: false });
            continue;
        }
        let data: serde_json::Value = serde_json::from_str(line).unwrap_or_default();
        let sides = data["valves"].as_array().into_iter().flatten().filter_map(|valve| valve["sides"].as_array());
        let before = heads.len();
        heads.extend(sides.flatten().filter_map(|side| {
            let (bench, number) = side["record"].as_str()?.split_once('/')?;
            let head = Head {
                schema: SCHEMA.into(),
                bench: bench.into(),
                name: bench.into(),
                number: number.parse().ok()?,
                seal: side["seal"].as_str()?.into(),
                key: String::new(),
                signature: String::new(),
            };
            Some(KnownHead { head, from_certificate: true })
        }));
        if heads.len() == before {
            let what = "not a file of heads (`seathold register head --out FILE`), nor a certificate's data";
            return Err(Error::usage(format!("{}: {what}", path.display())));
        }
    }
    if heads.is_empty() {
        return Err(Error::usage(format!("{}: there is no head in it", path.display())));
    }
    heads.dedup_by(|a, b| a.head == b.head);
    Ok(heads)
}
