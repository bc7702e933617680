//! Who may give a controller commands: keys, lines over a network, and commands that nobody here has sent.

use std::path::Path;
use std::sync::atomic::AtomicUsize;

use seathold::rig::Client;
use seathold_recording::{self as recording, Discontinuity};
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Command;
use seathold_sequencer::link::message::{Request, Response, ToController};

use seathold_tests::cli_kit::Silent;
use seathold_tests::proxy;
use seathold_tests::served_kit::{Ear, Rig, killed_at, program};

const TIGHT: u8 = 0;
const BAD_INPUT: u8 = 2;
const NO_VERDICT: u8 = 3;
const STORAGE: u8 = 6;

struct Said {
    code: u8,
    out: String,
    err: String,
}

/// By the machine's own clock, with `[DIR]` for the folder.
fn seathold(dir: &Path, arguments: &[&str]) -> Said {
    let dir = dir.display().to_string();
    let arguments: Vec<String> = arguments.iter().map(|text| text.replace("[DIR]", &dir)).collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let (mut out, mut err) = (Ear::default(), Ear::default());
    let code = program(&arguments, &AtomicUsize::new(0), &mut out, &mut err, &mut Silent);
    Said { code, out: out.text, err: err.text }
}

fn key(dir: &Path, name: &str) -> String {
    let file = dir.join(name).display().to_string();
    assert_eq!(seathold(dir, &["key", &file]).code, TIGHT);
    file
}

#[test]
fn a_controller_with_a_key_is_worked_with_that_key_alone() {
    let dir = tempfile::tempdir().unwrap();
    let (ours, other) = (key(dir.path(), "ours.key"), key(dir.path(), "other.key"));
    let rig = Rig::on("127.0.0.1:0", &["--key", &ours]);
    let at = format!("tcp:{}", rig.at);
    let run = |more: &[&str], out: &str| {
        let run = ["run", "--rig", &at, "--sides", "first", "-q", "--out", out];
        seathold(dir.path(), &[&run, more].concat())
    };
    let said = run(&[], "[DIR]/a.hold");
    assert_eq!(said.code, NO_VERDICT, "{}", said.err);
    assert!(said.err.contains("takes commands only under its key: give --key FILE"), "{}", said.err);
    let said = run(&["--key", &other], "[DIR]/b.hold");
    assert_eq!(said.code, NO_VERDICT, "{}", said.err);
    assert!(said.err.contains("does not answer under this key"), "{}", said.err);
    let said = run(&["--key", &ours], "[DIR]/c.hold");
    assert_eq!(said.code, TIGHT, "{}", said.err);
    assert_eq!(seathold(dir.path(), &["replay", "[DIR]/c.hold"]).code, TIGHT);
    // That it is there is seen without; what state it is in could then be anyone's word.
    let said = seathold(dir.path(), &["rigs", &at]);
    assert!(said.out.contains("only under its key") && said.out.contains("not shown"), "{}", said.out);
    assert!(!said.out.contains("far side") && !said.out.contains("loosen"), "{}", said.out);
    let said = seathold(dir.path(), &["rigs", &at, "--key", &ours]);
    assert!(said.code == TIGHT && said.out.contains("far side"), "{}{}", said.out, said.err);
    let said = seathold(dir.path(), &["rigs", &at, "--key", &other]);
    assert!(said.code == NO_VERDICT && said.err.contains("under this key"), "{}{}", said.out, said.err);
    drop(rig);

    let open = Rig::on("127.0.0.1:0", &[]);
    let at = format!("tcp:{}", open.at);
    let said = seathold(dir.path(), &["run", "--rig", &at, "--key", &ours, "-q"]);
    assert!(said.err.contains("the controller has no key"), "{}", said.err);
}

#[test]
fn a_line_over_a_network_needs_a_key_or_leave_to_be_without() {
    let dir = tempfile::tempdir().unwrap();
    for arguments in [
        &["run", "--rig", "tcp:192.0.2.1:4444", "-q"][..],
        &["doctor", "--rig", "tcp:192.0.2.1:4444"],
        &["serve", "--listen", "0.0.0.0:0"],
        &["serve", "--listen", "[::]:0"],
    ] {
        let said = seathold(dir.path(), arguments);
        assert_eq!(said.code, BAD_INPUT, "{arguments:?}: {}", said.err);
        assert!(said.err.contains("--insecure-line"), "{arguments:?}: {}", said.err);
    }
    // With leave, it is tried; and the recording and its report say so.
    let rig = Rig::on("0.0.0.0:0", &["--insecure-line"]);
    let port = rig.at.rsplit_once(':').unwrap().1.to_owned();
    let Some(address) = own_address() else { return eprintln!("this machine has no address but loopback") };
    let at = format!("tcp:{address}:{port}");
    let run = ["run", "--rig", &at, "--sides", "first", "-q", "--out", "[DIR]/a.hold"];
    assert_eq!(seathold(dir.path(), &run).code, BAD_INPUT);
    assert_eq!(seathold(dir.path(), &[&run[..], &["--insecure-line"]].concat()).code, TIGHT);
    let shown = seathold(dir.path(), &["show", "[DIR]/a.hold"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(shown.contains("over a network and without a key: anyone on it could give commands"), "{shown}");
    assert_eq!(seathold(dir.path(), &["report", "[DIR]/a.hold", "-o", "[DIR]/a.html"]).code, TIGHT);
    let page = std::fs::read_to_string(dir.path().join("a.html")).unwrap();
    assert!(page.contains("over a network and without a key"), "the report does not say it");
}

/// An address of this machine on a network: where a packet to a test net would leave it. Nothing is sent.
fn own_address() -> Option<std::net::IpAddr> {
    let socket = std::net::UdpSocket::bind("0.0.0.0:0").ok()?;
    socket.connect("192.0.2.1:9").ok()?;
    let own = socket.local_addr().ok()?.ip();
    (!own.is_loopback()).then_some(own)
}

#[test]
fn a_key_file_is_made_once_for_its_owner_and_read_strictly() {
    let dir = tempfile::tempdir().unwrap();
    let file = key(dir.path(), "a.key");
    let text = std::fs::read_to_string(&file).unwrap();
    assert_ne!(text, std::fs::read_to_string(key(dir.path(), "b.key")).unwrap());
    let said = seathold(dir.path(), &["key", &file]);
    assert_eq!(said.code, STORAGE, "{}", said.err);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), text, "replaced");
    let refused = |words: &str| {
        let said = seathold(dir.path(), &["serve", "--listen", "127.0.0.1:0", "--key", &file]);
        assert_eq!(said.code, BAD_INPUT, "{}", said.err);
        assert!(said.err.contains(words), "{}", said.err);
    };
    for wrong in ["", "12", &"0".repeat(64), &text.replace('-', "g"), &text.repeat(2)] {
        std::fs::write(&file, wrong).unwrap();
        refused("64 random hexadecimal digits");
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::write(&file, &text).unwrap();
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).unwrap();
        refused("others can read this key (mode 644)");
    }
}

/// While the host is away, somebody else confirms that the ends are swapped. The run goes on as it would with an honest
/// confirmation; its host finds, in what it gets when it is back, a command that it has not sent.
#[test]
fn a_command_of_somebody_else_voids_the_run() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--speed", "20"]);
    let at = format!("tcp:{}", rig.at);
    let file = dir.path().join("a.hold").display().to_string();
    killed_at(&["run", "--rig", &at, "--out", &file], "swap");
    // Silent for a second, and anyone may come.
    std::thread::sleep(std::time::Duration::from_millis(1_500));
    let mut clock = seathold::console::SystemClock::default();
    let mut stranger = Client::look(&at.parse().unwrap(), None, &clock).unwrap();
    stranger.greet(&mut clock, 5_000_000).unwrap();
    let mut confirmed = false;
    for _ in 0..600 {
        let Ok(Response::Status(status)) = stranger.ask(&mut clock, &Request::ReadStatus) else { panic!("no answer") };
        if status.phase == Phase::Measure && status.side == Some(seathold_sequencer::input::Side::Second) {
            break;
        }
        if let Some(prompt) = status.prompt {
            confirmed = true;
            assert!(stranger.ask(&mut clock, &Request::Operate(Command::Confirm(prompt))).is_ok());
        }
    }
    assert!(confirmed, "it was asked for nothing");
    drop(stranger);
    std::thread::sleep(std::time::Duration::from_millis(1_500));
    let said = seathold(dir.path(), &["run", "--resume", &format!("{file}.part")]);
    assert_eq!(said.code, NO_VERDICT, "{}{}", said.out, said.err);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("a command that this program did not send → these readings carry no verdict"), "{words}");
    let kept = recording::read(Path::new(&file)).unwrap();
    assert_eq!(kept.breaks.first().map(|it| it.why), Some(Discontinuity::ForeignCommand));
    let replayed = seathold(dir.path(), &["show", &file]);
    assert!(replayed.out.contains("COMMAND: "), "{}", replayed.out);
}

/// A run that was begun under a key goes on under that key, or not at all: anyone could say how it went on.
#[test]
fn a_run_under_a_key_is_resumed_under_it() {
    let dir = tempfile::tempdir().unwrap();
    let (ours, other) = (key(dir.path(), "ours.key"), key(dir.path(), "other.key"));
    let rig = Rig::on("127.0.0.1:0", &["--key", &ours, "--speed", "20"]);
    let at = format!("tcp:{}", rig.at);
    let file = dir.path().join("a.hold").display().to_string();
    killed_at(&["run", "--rig", &at, "--key", &ours, "--sides", "first", "--out", &file], "soak");
    let part = format!("{file}.part");
    let resume = |more: &[&str]| seathold(dir.path(), &[&["run", "-q", "--resume", &part], more].concat());
    for open in [&[][..], &["--insecure-line"]] {
        let said = resume(open);
        assert!(said.code == BAD_INPUT && said.err.contains("begun under a key: give --key FILE"), "{}", said.err);
    }
    let said = resume(&["--key", &other]);
    assert!(
        said.code == BAD_INPUT && said.err.contains("does not answer under this key"),
        "{} {}",
        said.code,
        said.err
    );
    let said = resume(&["--key", &ours]);
    assert_eq!(said.code, TIGHT, "{}{}", said.out, said.err);
}

/// What a program writes; presses Ctrl-C when a text comes by, and no second time, which would leave at once.
struct PressOnce<'a>(String, &'a str, &'a AtomicUsize);

impl std::io::Write for PressOnce<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.push_str(&String::from_utf8_lossy(bytes));
        self.2.fetch_max(usize::from(self.0.contains(self.1)), std::sync::atomic::Ordering::Relaxed);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Somebody on the line lets everything through but the abort.
#[test]
fn an_abort_that_does_not_arrive_is_told_and_voids_the_run() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--speed", "10"]);
    let is_abort = |message: &ToController| {
        matches!(message, ToController::Request { request: Request::Operate(Command::Abort), .. })
    };
    let at = format!("tcp:{}", proxy::without(&rig.at, is_abort));
    let file = dir.path().join("a.hold").display().to_string();
    let interrupts = AtomicUsize::new(0);
    let (mut out, mut err) = (Ear::default(), PressOnce(String::new(), "measure: watching", &interrupts));
    let run = ["run", "--rig", &at, "--sides", "first", "--out", &file];
    let code = program(&run, &interrupts, &mut out, &mut err, &mut Silent);
    assert_eq!(code, NO_VERDICT, "{}{}", out.text, err.0);
    assert!(err.0.contains("ABORT LOST") && err.0.contains("USE THE EMERGENCY STOP"), "{}", err.0);
    let kept = recording::read(Path::new(&file)).unwrap();
    assert_eq!(kept.breaks.first().map(|it| it.why), Some(Discontinuity::AbortLost));
    let said = seathold(dir.path(), &["show", &file]);
    assert!(said.out.contains("ABORT LOST: ") && !said.out.contains("TIGHT"), "{}", said.out);
}
