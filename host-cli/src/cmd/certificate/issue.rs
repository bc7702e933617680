//! `seathold certificate issue` and `again`.

use clap::Args;
use jiff::Timestamp;
use seathold_config::shop::Shop;
use seathold_language::Language;
use seathold_recording::plain::shown;
use seathold_register::customer::certificate::CertificateManner;
use seathold_register::customer::issue::NewCertificate;
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, Register};
use seathold_report::certificate::{CertificateData, CertifiedValve, zone_name};
use seathold_signing::fingerprint;

use serde_json::json;

use super::certifying;
use super::page::{CertificatePageArgs, PROGRAM};
use super::valves::{BatchValves, all_right, certified, whole};
use crate::cmd::batch_common::{BatchArg, listed, refused};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// `seathold certificate issue`.
#[derive(Debug, Args)]
pub struct IssueArgs {
    /// Only these valves [default: every valve of the batch that was not set aside]
    #[arg(value_name = "SERIAL")]
    pub serials: Vec<String>,
    /// One certificate with a table, instead of one for each valve
    #[arg(long)]
    pub table: bool,
    /// Also of valves that are not tight: it states what was found
    #[arg(long)]
    pub any_result: bool,
    /// A page to look at: without a number, and nothing is put on record
    #[arg(long)]
    pub draft: bool,
    /// Language of the page: en or de [default: that of the shop's file]
    #[arg(long, value_name = "LANGUAGE", value_parser = crate::args::language)]
    pub language: Option<Language>,
    /// Print what each states, a JSON object a line
    #[arg(long)]
    pub json: bool,
    /// Who issues it
    #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
    pub operator: String,
    /// Who releases it, one of the shop's signatories
    #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
    pub released_by: Option<String>,
    #[command(flatten)]
    pub page: CertificatePageArgs,
    #[command(flatten)]
    pub batch: BatchArg,
}

/// `seathold certificate again`.
#[derive(Debug, Args)]
pub struct AgainArgs {
    /// The number of the certificate
    #[arg(value_name = "NUMBER")]
    pub number: String,
    #[command(flatten)]
    pub page: CertificatePageArgs,
}

pub(super) fn issue(args: &IssueArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let shop = args.page.shop()?;
    let mark = args.page.mark(&shop)?;
    let released_by = args.released_by.as_deref().unwrap_or_default();
    may_release(args, &shop, released_by)?;
    let mut register =
        Register::open(&args.page.register.register, if args.draft { Access::Read } else { Access::Write })?;
    let key = args.page.key(&register, console)?;
    // On a draft nothing is signed.
    let public = key.as_ref().filter(|_| !args.draft).map(|key| key.public().hex());
    let read_at = register.chain_ends()?;
    whole(&register)?;
    let batch = args.batch.any(&register)?;
    let valves = certified(&register, &batch, &BatchValves::read(&register, &batch)?, &args.serials)?;
    all_right(&register, &batch, &valves, args.any_result)?;
    let now = console.date()?;
    let now = Timestamp::from_second(now.as_second()).unwrap_or(now);
    dated_before(&register, &valves, now)?;
    let manner = CertificateManner {
        program: PROGRAM.into(),
        zone: zone_name(&console.clock.zone(), now),
        language: args.language.unwrap_or(shop.language).tag().into(),
    };
    let pages: Vec<Vec<CertifiedValve>> =
        if args.table { vec![valves] } else { valves.into_iter().map(|valve| vec![valve]).collect() };
    let drafted = |valves: Vec<CertifiedValve>| CertificateData {
        issued_at: now.to_string(),
        issued_by: args.operator.clone(),
        released_by: released_by.into(),
        role: role(&shop, released_by),
        key: public.clone(),
        valves,
        selection: batch.selection,
        ..CertificateData::new(certifying(&shop), register.bench(), &batch.name, manner.clone()).with_mark(mark.clone())
    };
    let mut certificates: Vec<CertificateData> = pages.into_iter().map(drafted).collect();
    if args.draft {
        args.page.write(&certificates, None)?;
        if !args.json {
            writeln!(console.out, "draft written to {}; it certifies nothing", args.page.out.display())?;
        }
        return printed(args, &certificates, console);
    }
    // A number is used once it is on record: first it is seen that the page can be made and the files written.
    args.page.can_be_written(&certificates)?;
    for certificate in &mut certificates {
        let serials: Vec<String> = certificate.valves.iter().map(|valve| valve.serial.clone()).collect();
        let serials: Vec<&str> = serials.iter().map(String::as_str).collect();
        let new = NewCertificate {
            batch: &batch.batch,
            serials: &serials,
            prefix: &shop.certificate_prefix,
            released_by,
            key: public.as_deref().unwrap_or_default(),
            manner: &manner,
            selection: batch.selection,
            read_at: &read_at,
            operator: &args.operator,
            now,
        };
        let number = register.issue_certificate(new, |number| {
            certificate.certificate = Some(number.to_owned());
            certificate.sha256()
        })?;
        if !args.json {
            writeln!(console.out, "{number}: {}", shown(&listed(&serials)))?;
        }
    }
    args.page.write(&certificates, key.as_ref()).inspect_err(|_| {
        let _ =
            writeln!(console.err, "the numbers above are used; `seathold certificate again NUMBER` writes the page");
    })?;
    if !args.json {
        args.page.tell(console)?;
    }
    printed(args, &certificates, console)
}

/// How far the clocks of two computers may be apart, in seconds: ten minutes.
const CLOCKS_APART_S: i64 = 600;

/// A test that is dated after its certificate: a clock is wrong, or somebody set a date.
fn dated_before(register: &Register, valves: &[CertifiedValve], now: Timestamp) -> Result<(), Error> {
    let after = |at: &str| at.parse::<Timestamp>().is_ok_and(|at| at.as_second() > now.as_second() + CLOCKS_APART_S);
    let later = |valve: &&CertifiedValve| valve.sides.iter().any(|side| after(&side.tested_at));
    match valves.iter().find(later) {
        Some(valve) => {
            let why = "its test is dated after today: this computer's clock is wrong, or that of the test was";
            Err(refused(register, format!("{}: {why}", shown(&valve.serial))))
        }
        None => Ok(()),
    }
}

/// What the certificates state, where a program asked.
fn printed(args: &IssueArgs, certificates: &[CertificateData], console: &mut Console<'_>) -> Result<Exit, Error> {
    for certificate in certificates.iter().filter(|_| args.json) {
        schema::write(console, JsonKind::CertificateIssue, json!(certificate))?;
    }
    Ok(Exit::Good)
}

/// Releasing is for those whom the shop's file names.
fn may_release(args: &IssueArgs, shop: &Shop, name: &str) -> Result<(), Error> {
    let known = shop.signatories.iter().any(|signatory| signatory.name == name);
    if name.is_empty() || known || shop.signatories.is_empty() {
        return Ok(());
    }
    let names: Vec<&str> = shop.signatories.iter().map(|signatory| signatory.name.as_str()).collect();
    Err(Error::usage(shown(&format!(
        "--released-by: {name} is no signatory in {}; there are: {}",
        args.page.shop.display(),
        names.join(", ")
    ))))
}

fn role(shop: &Shop, name: &str) -> String {
    let signatory = shop.signatories.iter().find(|signatory| signatory.name == name);
    signatory.map(|signatory| signatory.role.clone()).unwrap_or_default()
}

pub(super) fn again(args: &AgainArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let shop = args.page.shop()?;
    let register = Register::open(&args.page.register.register, Access::Read)?;
    whole(&register)?;
    let issued = register.certificates()?;
    let Some(known) = issued.iter().find(|known| known.certificate == args.number) else {
        let hint = "`seathold certificate list` lists those that were issued";
        return Err(refused(&register, format!("no certificate has the number {}; {hint}", args.number)));
    };
    if known.number_twice {
        return Err(refused(
            &register,
            format!("two certificates have the number {}: see `certificate list`", args.number),
        ));
    }
    if let Some(what) = &known.altered {
        return Err(refused(&register, format!("its record {what}")));
    }
    // One that was not signed stays so, whatever key there is by now.
    // A page for screens keeps no signature, and says by which key the data are signed.
    let kept = args.page.keeps_signature();
    let unsigned = known.key.is_empty() && args.page.sign.is_none();
    let key = if unsigned || !kept { None } else { args.page.key(&register, console)? };
    let stated = Some(known.key.clone()).filter(|key| !kept && !key.is_empty());
    let public = key.as_ref().map(|key| key.public().hex()).or(stated);
    if public.as_deref().unwrap_or_default() != known.key {
        let why = match known.key.as_str() {
            "" => "it was not signed: leave out --sign".into(),
            key => format!("it was signed: give --sign with the key of fingerprint {}", fingerprint(key)),
        };
        return Err(refused(&register, format!("{}: {why}", known.certificate)));
    }
    let batches = register.batches()?;
    let Some(batch) = batches.iter().find(|batch: &&BatchRecord| batch.batch == known.batch) else {
        return Err(refused(&register, "its batch is not in this register".into()));
    };
    let bench = known.record.split('/').next().unwrap_or_default();
    let certificate = CertificateData {
        certificate: Some(known.certificate.clone()),
        issued_at: known.issued_at.clone(),
        issued_by: known.issued_by.clone(),
        released_by: known.released_by.clone(),
        role: role(&shop, &known.released_by),
        key: public,
        valves: certified(&register, batch, &BatchValves::read(&register, batch)?, &known.serials)?,
        selection: known.selection,
        ..CertificateData::new(certifying(&shop), bench, &batch.name, known.manner.clone())
            .with_mark(args.page.mark(&shop)?)
    };
    if certificate.sha256() != known.sha256 {
        let why = "what it would state now is not what it stated when it was issued: runs, notes, the order or the shop's file \
                   have changed since; issue a new one";
        return Err(refused(&register, format!("{}: {why}", known.certificate)));
    }
    args.page.write(std::slice::from_ref(&certificate), key.as_ref())?;
    args.page.tell(console)?;
    Ok(Exit::Good)
}
