//! Worked examples, which end the help of every command. A test parses each by the real parser.

use clap::Command;

/// Examples of one command.
#[derive(Clone, Copy, Debug)]
pub struct CommandExamples {
    /// The command, as it is typed after `seathold`: "batch open".
    pub command: &'static str,
    /// Each: what is typed after `seathold`, and what comes of it. A long one goes on after a backslash, as in a shell.
    pub examples: &'static [(&'static str, &'static str)],
}

const fn of(command: &'static str, examples: &'static [(&'static str, &'static str)]) -> CommandExamples {
    CommandExamples { command, examples }
}

/// Two to four for every command.
pub const EXAMPLES: &[CommandExamples] = &[
    of(
        "run",
        &[
            ("run --rig sim", "a tight valve on the simulated rig, both sides"),
            ("run --valve scratched-seat-a", "one that leaks, and where"),
            ("run --rig serial:/dev/ttyACM0 --serial HM-001 --operator Ada", "a valve on a controller"),
            ("run --recipe dn25.toml --limit \"7.5 mm3/s\"", "by a recipe and a limit of your own"),
        ],
    ),
    of(
        "batch",
        &[
            ("batch open spring --serials HM-001..HM-040 --dn 25", "a batch of forty"),
            ("batch test", "work through it; ? says what may be typed"),
            ("batch status", "what is left to do"),
            ("batch close --operator Ada", "close it, with its counts"),
        ],
    ),
    of(
        "batch open",
        &[
            ("batch open spring --list list.csv", "from a list with a column of serials"),
            ("batch open spring --serials HM-001..HM-040 --actuation air --dn 25", "from a pattern"),
            ("batch open mixed --list mixed.csv --limit \"ISO 5208 rate B by DN\"", "a limit by each valve's size"),
        ],
    ),
    of(
        "batch add",
        &[
            ("batch add --serials HM-041 --dn 25 --note \"came later\" --operator Ada", "one more valve"),
            ("batch add --list second.csv --note \"second delivery\" --operator Ada", "those of another list"),
        ],
    ),
    of(
        "batch list",
        &[("batch list", "every batch, with its counts"), ("batch list --json", "the same for a program")],
    ),
    of(
        "batch status",
        &[
            ("batch status", "of the only batch that is open"),
            ("batch status --batch spring", "of this one"),
            ("batch status --json", "an object a valve, for a program"),
        ],
    ),
    of(
        "batch test",
        &[
            ("batch test --operator Ada", "valve after valve; Enter takes the next"),
            ("batch test --order side", "the first side of all, then the second of all"),
            ("batch test --confirm-serial -- --rig serial:/dev/ttyACM0", "on a controller, each serial scanned twice"),
        ],
    ),
    of(
        "batch rework",
        &[
            ("batch rework HM-002 --note \"new seat\" --operator Ada", "it is to be tested again"),
            ("batch rework HM-002 --note \"lapped\" --operator Ada --batch spring", "in this batch"),
        ],
    ),
    of(
        "batch require",
        &[
            ("batch require --limit \"5 mm3/s\" --note \"new order\" --operator Ada", "of every valve"),
            ("batch require HM-007 --dn 50 --note \"list was wrong\" --operator Ada", "the size of one"),
            (
                "batch require --of \"DN 50\" --recipe dn50.toml --note \"longer\" \\\n      --operator Ada",
                "a recipe for a size",
            ),
        ],
    ),
    of(
        "batch strike",
        &[
            ("batch strike 12 --note \"hose had come off\" --operator Ada", "record 12 counts no more"),
            ("batch strike 12 --note \"wrong adapter\" --operator Ada --batch spring", "in this batch"),
        ],
    ),
    of(
        "batch move",
        &[
            ("batch move 12 HM-003 --note \"plates mixed up\" --operator Ada", "record 12 was of HM-003"),
            ("batch move 12 HM-003 --note \"misread\" --operator Ada --batch spring", "in this batch"),
        ],
    ),
    of(
        "batch set-aside",
        &[
            ("batch set-aside HM-003 --note \"body cracked\" --operator Ada", "it is not tested any more"),
            ("batch set-aside HM-003 --note \"lost\" --operator Ada --batch spring", "in this batch"),
        ],
    ),
    of(
        "batch remark",
        &[
            ("batch remark HM-004 --note \"handle missing\" --operator Ada", "it stands on the report"),
            ("batch remark HM-004 --note \"new\" --operator Ada --batch spring", "in this batch"),
        ],
    ),
    of(
        "batch photo",
        &[
            ("batch photo HM-004 seat.jpg --caption \"old seat\" --operator Ada", "it stands on the report"),
            ("batch photo HM-004 a.jpg b.png --operator Ada --batch spring", "two, of a batch that may be closed"),
        ],
    ),
    of(
        "batch close",
        &[
            ("batch close --operator Ada", "the only one that is open"),
            ("batch close --batch spring --unfinished \"sent back\" --operator Ada", "although valves are left"),
        ],
    ),
    of(
        "watch",
        &[
            ("watch --rig serial:/dev/ttyACM0", "until Ctrl-C"),
            ("watch --rig tcp:127.0.0.1:4444 --for \"10 s\" --unit psi", "ten seconds, in psi"),
        ],
    ),
    of(
        "show",
        &[
            ("show run.hold", "result, evidence, plot"),
            ("show run.hold --budget", "where the uncertainty comes from"),
            ("show run.hold --csv", "every reading, for a spreadsheet"),
            ("show run.hold --json", "everything but the readings, for a program"),
        ],
    ),
    of(
        "replay",
        &[
            ("replay run.hold", "the same result again, or where it differs"),
            ("replay one.hold two.hold", "several; the exit code is the highest"),
        ],
    ),
    of(
        "find",
        &[
            ("find --serial HM-002", "the history of a valve"),
            ("find --verdict leaking --since 2026-03-01", "what leaked since then"),
            ("find --leak \"5 mm3/s..\" --json", "leaks above a figure, for a program"),
        ],
    ),
    of(
        "report",
        &[
            ("report run.hold -o HM-001.html", "a page on one valve"),
            ("report --batch spring -o spring.pdf", "a batch, from the register"),
            ("report recordings/ -o spring.pdf --page-size letter", "from recordings"),
        ],
    ),
    of(
        "export",
        &[
            ("export recordings/ --runs runs.csv --sides sides.csv", "two tables of a folder"),
            ("export --batch spring --samples readings.parquet", "every reading of a batch"),
        ],
    ),
    of(
        "assess",
        &[
            ("assess trace.csv --gauge --volume 45cm3 --limit 7.5mm3/s", "a trace of any logger"),
            ("assess t.csv --gauge --volume 45cm3 --limit 7mm3/s --window 5s..35s", "only that part of it"),
        ],
    ),
    of(
        "register",
        &[
            ("register info", "what is in it"),
            ("register verify", "whether every record is as it was written"),
            ("register import run.hold", "take a recording in"),
            ("register merge bench-2.sqlite", "take another bench's records in"),
        ],
    ),
    of(
        "register init",
        &[
            ("register init bench.sqlite --bench \"bench 1\"", "an empty register with a name"),
            ("register init spare.sqlite", "for a bench without a name"),
            ("register init office.sqlite --no-key", "of an office: it makes no records of its own"),
        ],
    ),
    of("register info", &[("register info", "runs, batches, benches"), ("register info --json", "for a program")]),
    of(
        "register verify",
        &[
            ("register verify", "seals, places, columns, and the file"),
            ("register verify --replay", "and every recording once more"),
            ("register verify --since-head head.json", "was anything cut off since that head was kept?"),
            ("register verify postgres://reader@office/seathold", "what an office has, with the same walk"),
        ],
    ),
    of(
        "register key",
        &[
            ("register key --operator Ada", "for a register that has none, or another in place of it"),
            ("register key --operator Ada --register shop.sqlite", "of this register"),
        ],
    ),
    of(
        "register head",
        &[("register head --out head-of-may.json", "to be kept on another computer"), ("register head", "printed")],
    ),
    of(
        "sign",
        &[
            ("sign spring.csv", "with the bench's key: spring.csv.sig"),
            ("sign spring.csv list.csv --sign shop.key", "two, with another key"),
        ],
    ),
    of(
        "verify",
        &[
            ("verify HM-001.pdf --key shop.key.pub", "a certificate: signature, data, page"),
            ("verify spring.csv --key bench.sqlite.key.pub", "a file with spring.csv.sig beside it"),
        ],
    ),
    of(
        "register backup",
        &[
            ("register backup copies", "into this folder, of which 14 stay"),
            ("register backup /mnt/other --keep 60", "on another disk, for two months of nights"),
        ],
    ),
    of(
        "register merge",
        &[
            ("register merge bench-2.sqlite", "another bench's records"),
            ("register merge sent.bundle --register shop.sqlite", "a bundle, into this register"),
        ],
    ),
    of(
        "register push",
        &[
            ("register push postgres://b1@office/shop?sslrootcert=office.pem", "what is missing there, encrypted"),
            ("register push postgres://bench_1@localhost/seathold", "into a database on this machine"),
        ],
    ),
    of(
        "register pull",
        &[
            ("register pull postgres://reader@localhost/shop --register all.sqlite", "every bench, in one register"),
            ("register pull postgres://bench_1@localhost/seathold", "other benches' records, at a bench"),
        ],
    ),
    of(
        "register office-tables",
        &[
            ("register office-tables", "the SQL, to be read or run by hand"),
            ("register office-tables postgres://keeper@localhost/seathold", "make them there"),
        ],
    ),
    of(
        "register import",
        &[
            ("register import run.hold", "a recording"),
            ("register import one.hold two.hold --batch spring", "two, for the batch they were run for"),
        ],
    ),
    of(
        "register extract",
        &[
            ("register extract 12", "record 12, as a recording"),
            ("register extract 12 --out HM-002.hold", "under this name"),
        ],
    ),
    of(
        "register quarantine",
        &[
            ("register quarantine list", "what was refused, and why"),
            ("register quarantine remove 3", "take one out, as a file"),
        ],
    ),
    of(
        "register quarantine list",
        &[
            ("register quarantine list", "what was refused, and why"),
            ("register quarantine list --json", "for a program"),
        ],
    ),
    of(
        "register quarantine remove",
        &[
            ("register quarantine remove 3", "take it out, as a file"),
            ("register quarantine remove 3 --out refused.hold", "under this name"),
        ],
    ),
    of(
        "register bundle",
        &[
            ("register bundle spring.bundle --batch spring", "a batch, to be sent"),
            ("register bundle march.bundle --since 2026-03-01 --until 2026-03-31", "the runs and notes of a month"),
            ("register bundle new.bundle --after 12", "what came after record 12, of whatever kind"),
        ],
    ),
    of(
        "pair",
        &[
            (
                "pair fittings.csv --bodies 24 --body-length 60.4mm --body-u 0.02mm \\\n      --nominal 120mm --tolerance 0.2mm \
                 --compression 0.4mm --gauge-u 0.01mm",
                "bodies of one length",
            ),
            (
                "pair fittings.csv --bodies-file bodies.csv --gauge-u 0.01mm \\\n      --nominal 120mm --tolerance 0.2mm --json",
                "measured bodies, and the result for a program",
            ),
            (
                "pair fittings.csv --keep --body-length 60.4mm --body-u 0.02mm \\\n      --nominal 120mm --tolerance 0.2mm \
                 --gauge-u 0.01mm --operator Ada",
                "for the open batch, kept for `assembly bolt`",
            ),
            (
                "pair fittings.csv --bodies 24 --body-length 60.4mm --body-u 0.02mm \\\n      --nominal 120mm --tolerance 0.2mm \
                 --gauge-u 0.01mm --page tray.pdf",
                "and a page for the bench",
            ),
        ],
    ),
    of(
        "assembly",
        &[
            ("assembly steps steps.toml --operator Ada", "the steps of the open batch"),
            ("assembly tick purge --all --operator Ada", "one step, done on the whole batch"),
            ("assembly bolt --operator Ada", "valve after valve: scan, bolt, measure"),
            ("assembly status", "what is done, what is next, what holds it up"),
        ],
    ),
    of(
        "assembly tick",
        &[
            ("assembly tick purge --all --operator Ada", "done on the whole batch"),
            ("assembly tick bolts HM-001 --value 20 --tool TW-3 --operator Ada", "on one valve, with its value"),
        ],
    ),
    of(
        "assembly bolt",
        &[
            ("assembly bolt --operator Ada", "valve after valve: scan, bolt, measure"),
            (
                "assembly bolt HM-001 --fittings F14,F27 --length 120.04mm \\\n      --operator Ada",
                "one valve, all of it given",
            ),
        ],
    ),
    of(
        "label",
        &[
            ("label valve --tag --out tags.pdf", "a tag for every valve of the open batch"),
            ("label valve --out labels.pdf", "after the test: each with its result and date"),
            ("label fittings --out fittings.pdf", "where each kept fitting goes"),
            ("label valve HM-001 --out one.pdf --size \"70x30mm\"", "one valve, on labels of another size"),
        ],
    ),
    of(
        "batch order",
        &[
            ("batch order --customer Hatchery --order 4711 --operator Ada", "of the whole batch"),
            ("batch order HM-001 --heat \"K 23\" --operator Ada", "of one valve"),
            ("batch order", "what is stated"),
        ],
    ),
    of(
        "certificate",
        &[
            ("certificate template > shop.toml", "the shop's name, and who may release"),
            ("certificate issue HM-001 --shop s.toml --out c.pdf --operator Ada", "a page to go with the valve"),
            ("certificate list", "those that were issued"),
        ],
    ),
    of(
        "certificate template",
        &[
            ("certificate template", "a file of the shop to start from"),
            ("certificate template > west.toml", "into a file of its own"),
        ],
    ),
    of(
        "certificate key",
        &[
            ("certificate key shop.key", "the key, and shop.key.pub for whoever checks"),
            ("certificate key ./keys/office.key", "in a folder"),
            ("certificate key office.key --passphrase", "asked for each time it signs"),
        ],
    ),
    of(
        "certificate issue",
        &[
            (
                "certificate issue --draft --shop s.toml --out d.pdf --operator Ada",
                "to look at: nothing is put on record",
            ),
            ("certificate issue HM-001 --shop s.toml --out c.pdf --operator Ada", "of one valve"),
            (
                "certificate issue --shop s.toml -o c.pdf --language de --operator Ada",
                "of every valve of the batch, in German",
            ),
            (
                "certificate issue --table --shop s.toml --out c.pdf --operator Ada",
                "one with a table, of every valve of the batch",
            ),
        ],
    ),
    of(
        "certificate again",
        &[
            ("certificate again TW-3f09ab-0001 --shop s.toml --out c.pdf", "the same page again"),
            ("certificate again TW-3f09ab-0001 --shop s.toml --out c.html", "as a page for screens"),
        ],
    ),
    of(
        "certificate verify",
        &[
            ("certificate verify HM-001.pdf", "whether this is what was issued"),
            ("certificate verify HM-001.json --register office.sqlite", "by another register"),
            ("certificate verify HM-001.json --key shop.key.pub", "by its signature, without a register"),
        ],
    ),
    of("certificate list", &[("certificate list", "the oldest first"), ("certificate list --json", "for a program")]),
    of(
        "label valve",
        &[
            ("label valve --tag --out tags.pdf", "before the test: serial, size and code"),
            ("label valve --tag --ends --out ends.pdf", "one for each end, for `run --end-tags`"),
            ("label valve --batch spring --out labels.pdf", "results of a batch, of an earlier one too"),
            ("label valve HM-002 HM-004 --out two.pdf --size \"50x25mm\"", "two valves, on smaller labels"),
        ],
    ),
    of(
        "label fittings",
        &[
            ("label fittings --out fittings.pdf", "a label for every kept fitting that is not bolted up"),
            ("label fittings F14 F27 --out two.pdf", "for two of them"),
        ],
    ),
    of(
        "label classes",
        &[
            ("label classes --out classes.pdf", "a label for every place in the tray"),
            ("label classes --class \"0.2 mm\" --out classes.pdf", "in wider classes"),
        ],
    ),
    of(
        "assembly tray",
        &[
            ("assembly tray --out tray.pdf", "what lies where, and which goes with which"),
            ("assembly tray --class \"0.2 mm\" --out tray.html", "in wider classes, as a page"),
        ],
    ),
    of(
        "assembly template",
        &[
            ("assembly template", "what a list of steps looks like"),
            ("assembly template > steps.toml", "the same into a file"),
        ],
    ),
    of(
        "assembly measure",
        &[
            ("assembly measure fittings.csv", "a name and a length each; Enter for a place"),
            ("assembly measure fittings.csv --readings 2 --gauge C-7", "each read twice"),
        ],
    ),
    of(
        "assembly steps",
        &[
            ("assembly steps steps.toml --operator Ada", "the steps of the open batch"),
            ("assembly steps steps.toml --batch spring --operator Ada", "of one of several"),
        ],
    ),
    of(
        "assembly status",
        &[("assembly status", "valves and steps as a table"), ("assembly status --json", "the same for a program")],
    ),
    of(
        "assembly strike",
        &[
            ("assembly strike 12 --note \"it was HM-003\" --operator Ada", "a step that was ticked by mistake"),
            ("assembly strike 14 --note \"measured anew\" --operator Ada", "a finished length that was misread"),
        ],
    ),
    of(
        "assembly tightening-order",
        &[
            ("assembly tightening-order 4", "the order in which four bolts are tightened"),
            ("assembly tightening-order 12", "and twelve"),
        ],
    ),
    of(
        "plan",
        &[
            ("plan --limit \"7.5 mm3/s\"", "can the rig tell, and how soon?"),
            ("plan --limit \"ISO 5208 rate B DN 25\" --out dn25.toml", "and a recipe for it"),
            ("plan --limit \"7.5 mm3/s\" --rig-file bench.toml", "a rig of your own"),
        ],
    ),
    of(
        "recipe",
        &[("recipe template", "a file to start from"), ("recipe check dn25.toml", "everything that is wrong with it")],
    ),
    of(
        "recipe template",
        &[
            ("recipe template", "every field, with its meaning and range"),
            ("recipe template > dn25.toml", "the same into a file"),
        ],
    ),
    of(
        "recipe check",
        &[
            ("recipe check dn25.toml", "against the built-in rig"),
            ("recipe check dn25.toml --rig-file bench.toml --adapter flange", "against a rig of your own"),
        ],
    ),
    of(
        "calibrate",
        &[
            ("calibrate volume --reference 30cm3", "the far volume, on the simulated rig"),
            ("calibrate blank --recording plug.hold", "background leak, from a run"),
            ("calibrate rest --recording rest.hold", "drift of the gas temperature"),
        ],
    ),
    of(
        "calibrate volume",
        &[
            ("calibrate volume --reference 30cm3", "on the simulated rig"),
            ("calibrate volume --reference 30cm3 --reading \"6 bar:3.6 bar\"", "from a reading of your own"),
            ("calibrate volume --reference 30cm3 --rig serial:/dev/ttyACM0", "three runs on a controller"),
        ],
    ),
    of(
        "calibrate leak",
        &[
            ("calibrate leak --reference \"7.5 mm3/s\"", "on the simulated rig"),
            ("calibrate leak --reference 7mm3/s --recording none.hold leak.hold", "from two runs"),
        ],
    ),
    of(
        "calibrate blank",
        &[
            ("calibrate blank --repeats 8", "on the simulated rig"),
            ("calibrate blank --recording one.hold --recording two.hold", "from runs of tight valves"),
            ("calibrate blank --rig serial:/dev/ttyACM0 --repeats 4 --with plug", "on a controller, with a plug"),
        ],
    ),
    of(
        "calibrate transducer",
        &[
            ("calibrate transducer", "on the simulated rig"),
            ("calibrate transducer --recording \"6 bar:run.hold\"", "a gauge was read during that run"),
            ("calibrate transducer --rig serial:/dev/ttyACM0 --rig-file bench.toml", "on a controller, beside a gauge"),
        ],
    ),
    of(
        "calibrate rest",
        &[
            ("calibrate rest", "half an hour on the simulated rig"),
            ("calibrate rest --recording rest.hold --calibrations calibrations/", "from a run"),
        ],
    ),
    of(
        "rigs",
        &[
            ("rigs", "what is connected to this computer"),
            ("rigs tcp:127.0.0.1:4444 --json", "and one on a network, for a program"),
        ],
    ),
    of(
        "rig",
        &[
            ("rig template", "a file to start from"),
            ("rig check bench.toml", "everything that is wrong with it"),
            ("rig load bench.toml --rig serial:/dev/ttyACM0", "into the controller, once confirmed"),
            ("rig show --rig serial:/dev/ttyACM0", "what the controller works by"),
        ],
    ),
    of(
        "rig template",
        &[
            ("rig template", "every field, with its meaning and range"),
            ("rig template > bench.toml", "the same into a file"),
        ],
    ),
    of(
        "rig check",
        &[
            ("rig check bench.toml", "everything that is wrong with it"),
            ("rig check ./rigs/bench-2.toml", "a file in a folder"),
        ],
    ),
    of(
        "rig load",
        &[
            ("rig load bench.toml --rig serial:/dev/ttyACM0", "shown first, and confirmed"),
            ("rig load bench.toml --calibrations cal/ --rig serial:/dev/ttyACM0", "with its calibrations"),
        ],
    ),
    of(
        "rig show",
        &[
            ("rig show --rig serial:/dev/ttyACM0", "adapters, calibrations, the last check"),
            ("rig show --toml --rig serial:/dev/ttyACM0", "as a file to be changed"),
            ("rig show --json --rig serial:/dev/ttyACM0", "for a program"),
        ],
    ),
    of(
        "rig waive-check",
        &[
            ("rig waive-check --rig serial:/dev/ttyACM0", "asks first"),
            ("rig waive-check --rig serial:/dev/ttyACM0 --yes", "without asking"),
        ],
    ),
    of(
        "doctor",
        &[
            ("doctor", "the simulated rig, to see what is asked"),
            ("doctor --rig serial:/dev/ttyACM0", "a controller, before its first air"),
            ("doctor --fault vent-stuck", "a rig with a fault, which it finds"),
        ],
    ),
    of(
        "key",
        &[("key bench-1.key", "a key for a controller and its hosts"), ("key ./keys/bench-2.key", "in a folder")],
    ),
    of(
        "rejudge",
        &[
            ("rejudge recordings/ --limit \"5 mm3/s\"", "what another limit changes"),
            ("rejudge --batch spring --recipe dn25.toml --html changes.html", "another recipe, with a page"),
        ],
    ),
    of(
        "tune",
        &[
            ("tune recordings/ --labels labels.csv", "times, from valves that are known"),
            ("tune --batch spring --out dn25.toml", "a recipe, from a batch with reworks"),
        ],
    ),
    of(
        "study",
        &[
            ("study gauge-rr recordings/", "repeats and operators"),
            ("study daily --reference \"7.5 mm3/s\"", "is the bench as it was?"),
            ("study drift recordings/ --plot", "what has moved with time"),
            ("study lengths", "what the seals give, from valves that were measured"),
        ],
    ),
    of(
        "study gauge-rr",
        &[
            ("study gauge-rr recordings/", "from runs: every operator, every valve"),
            ("study gauge-rr --table measured.csv", "from a table"),
        ],
    ),
    of(
        "study linearity",
        &[
            ("study linearity --table leaks.csv", "columns reference and value"),
            ("study linearity --table leaks.csv --coverage \"99 %\" --json", "for a program"),
        ],
    ),
    of(
        "study stability",
        &[
            ("study stability recordings/ --serial CHECK-LEAK --plot", "one valve, day by day"),
            ("study stability --table values.csv --html chart.html", "from a table, as a page"),
        ],
    ),
    of(
        "study daily",
        &[
            ("study daily --reference \"7.5 mm3/s\"", "from the register"),
            ("study daily recordings/ --reference \"7.5 mm3/s\" --plot", "from recordings, with charts"),
        ],
    ),
    of(
        "study drift",
        &[
            ("study drift recordings/", "what has moved with time"),
            ("study drift --serial PLUG --since 2026-03-01 --html drift.html", "a plug's runs, as a page"),
        ],
    ),
    of(
        "study lengths",
        &[
            ("study lengths", "over all batches of the register"),
            ("study lengths --batch spring --batch autumn", "over two of them"),
            ("study lengths --json", "the same for a program"),
        ],
    ),
    of(
        "study causes",
        &[
            ("study causes", "over all batches of the register"),
            ("study causes --batch spring", "inside one batch"),
            ("study causes --json", "the same for a program"),
        ],
    ),
    of(
        "valve",
        &[
            ("valve list", "the built-in ones"),
            ("valve template", "a file to start from"),
            ("valve check mine.toml", "everything that is wrong with it"),
        ],
    ),
    of("valve list", &[("valve list", "name, kind and what leaks"), ("valve list | less", "a page at a time")]),
    of(
        "valve template",
        &[
            ("valve template", "every field, with its meaning and range"),
            ("valve template > mine.toml", "the same into a file"),
        ],
    ),
    of(
        "valve check",
        &[
            ("valve check mine.toml", "everything that is wrong with it"),
            ("valve check ./valves/leaky.toml", "a file in a folder"),
        ],
    ),
    of(
        "fleet",
        &[
            ("fleet", "a hundred valves, sampled from a hatchery's"),
            ("fleet -n 1000 --limit \"5 mm3/s\" --no-recordings", "more, by another limit"),
            ("fleet --template", "a fleet file to start from"),
        ],
    ),
    of(
        "identify",
        &[
            ("identify recordings/", "gas, heat and noise of your bench"),
            ("identify recordings/ --out-valve mine.toml --out-rig bench.toml", "as files for `run` and `fleet`"),
        ],
    ),
    of(
        "serve",
        &[
            ("serve", "on port 4444 of this computer"),
            ("serve --valve scratched-seat-a --speed 10", "a leaking valve, ten times as fast"),
            ("serve --pty", "as a serial device"),
        ],
    ),
    of(
        "settings",
        &[
            ("settings", "each value, and where it comes from"),
            ("settings --template > settings.toml", "a file to start from"),
            ("settings --json", "for a program"),
        ],
    ),
    of(
        "completions",
        &[("completions bash", "print them"), ("completions zsh --out _seathold", "write them to a file")],
    ),
    of(
        "manual",
        &[("manual | man -l -", "the page of the program"), ("manual --out man/", "a page for every command")],
    ),
    of(
        "schema",
        &[
            ("schema", "what is printed with --json, and by which command"),
            ("schema find", "the schema of one"),
            ("schema --out schema/", "all of them, as files"),
        ],
    ),
];

/// The words of an example, as a shell would make them, for whoever types it; what the shell would do with the output is left out.
pub fn words(example: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut word = String::new();
    let mut quoted = false;
    for c in example.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' | '\\' | '\n' if !quoted => words.push(std::mem::take(&mut word)),
            '>' | '|' if !quoted => break,
            c => word.push(c),
        }
    }
    words.push(word);
    words.retain(|word| !word.is_empty());
    words
}

/// What ends the help of a command.
fn text(examples: &[(&str, &str)]) -> String {
    let mut text = String::from("Examples:");
    for (typed, about) in examples {
        text.push_str(&format!("\n  seathold {typed}\n      {about}"));
    }
    text
}

/// Puts its examples under the help of each command.
pub(super) fn under_each(command: Command, path: &str) -> Command {
    let found = EXAMPLES.iter().find(|of| of.command == path);
    let command = match found {
        Some(found) => {
            let before = command.get_after_help().map(ToString::to_string);
            let text = text(found.examples);
            command.after_help(before.map_or_else(|| text.clone(), |before| format!("{}\n\n{text}", before.trim_end())))
        }
        None => command,
    };
    command.mut_subcommands(|below| {
        let path = format!("{path} {}", below.get_name());
        under_each(below, path.trim_start())
    })
}
