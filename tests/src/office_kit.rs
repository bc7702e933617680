//! A PostgreSQL server of the tests' own: on a temporary folder, as nobody in particular, gone with the program that
//! started it.
//!
//! Where there is none installed, tests that need it are left out, and say so; `SEATHOLD_POSTGRES` set to anything makes
//! that a failure. Debian: `apt-get install postgresql`.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use seathold::environment::Environment;

/// Set where a missing server is a failure.
pub const REQUIRED: &str = "SEATHOLD_POSTGRES";
/// The password of every login that tests make.
pub const PASSWORD: &str = "seawater";

/// The server that owns nothing but a temporary folder.
#[derive(Debug)]
pub struct Server {
    programs: PathBuf,
    folder: PathBuf,
    port: u16,
    /// Stops the server when its input ends, as it does when this program does.
    keeper: Child,
}

/// Who is nobody: where tests run as root, which the server refuses to be.
const NOBODY: u32 = 65_534;

fn programs() -> Option<PathBuf> {
    let debian = std::fs::read_dir("/usr/lib/postgresql").ok().into_iter().flatten().flatten();
    let mut found: Vec<PathBuf> = debian.map(|entry| entry.path().join("bin")).collect();
    found.sort();
    found.reverse();
    let path = std::env::var_os("PATH").unwrap_or_default();
    found.extend(std::env::split_paths(&path));
    found.into_iter().find(|folder| ["initdb", "postgres", "psql"].iter().all(|name| folder.join(name).exists()))
}

/// Makes a certificate for this machine, as docs/office.md says; `false` where there is no program for it.
pub fn certified(folder: &Path, name: &str) -> bool {
    let mut openssl = as_nobody("openssl");
    openssl.args(["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-subj", "/CN=office"]);
    openssl.args(["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"]);
    openssl.args(["-addext", "basicConstraints=critical,CA:FALSE"]);
    openssl.args(["-keyout", &format!("{name}.key"), "-out", &format!("{name}.pem")]).current_dir(folder);
    openssl.stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|made| made.success())
}

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

/// A command as somebody that the server may be.
fn as_nobody(program: impl AsRef<std::ffi::OsStr>) -> Command {
    let mut command = Command::new(program);
    if is_root() {
        command.uid(NOBODY).gid(NOBODY);
    }
    command
}

impl Server {
    /// The server that all tests of this program share, each with a database of its own; `None` where there is none.
    pub fn shared() -> Option<&'static Self> {
        static SHARED: OnceLock<Option<Server>> = OnceLock::new();
        SHARED.get_or_init(Self::start).as_ref()
    }

    /// Starts one of its own; `None`, and a line that says so, where none is installed.
    ///
    /// # Panics
    /// When there must be one, or it does not start.
    pub fn start() -> Option<Self> {
        let Some(programs) = programs() else {
            assert!(std::env::var_os(REQUIRED).is_none(), "{REQUIRED} is set, and no PostgreSQL server is installed");
            // Past the test program, which keeps what a test that passes says.
            let _ = std::io::stderr().write_all(b"LEFT OUT: no PostgreSQL server, so the office has NOT been tested\n");
            return None;
        };
        let folder = tempfile::Builder::new().prefix("office").tempdir().unwrap().keep();
        if is_root() {
            std::os::unix::fs::chown(&folder, Some(NOBODY), Some(NOBODY)).unwrap();
        }
        let data = folder.join("data");
        let made = as_nobody(programs.join("initdb"))
            .current_dir(&folder)
            .args([
                "--no-sync",
                "--username=root",
                "--auth-local=trust",
                "--auth-host=scram-sha-256",
                "--encoding=UTF8",
            ])
            .args(["--locale=C", "-D"])
            .arg(&data)
            .output()
            .unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        // The database "tls" is only for an encrypted line.
        let rules = data.join("pg_hba.conf");
        let plain = std::fs::read_to_string(&rules).unwrap();
        std::fs::write(&rules, format!("hostnossl tls all all reject\n{plain}")).unwrap();
        if certified(&folder, "office") {
            let settings = data.join("postgresql.conf");
            let more = format!(
                "\nssl = on\nssl_cert_file = '{0}/office.pem'\nssl_key_file = '{0}/office.key'\n",
                folder.display()
            );
            let before = std::fs::read_to_string(&settings).unwrap();
            std::fs::write(&settings, before + &more).unwrap();
        }
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let keeper = Self::begin(&programs, &folder, port);
        let server = Self { programs, folder, port, keeper };
        server.wait();
        Some(server)
    }

    /// The certificate of the server, where one could be made.
    pub fn certificate(&self) -> Option<PathBuf> {
        Some(self.folder.join("office.pem")).filter(|path| path.exists())
    }

    fn begin(programs: &Path, folder: &Path, port: u16) -> Child {
        let text = "\"$1\" -D \"$2/data\" -p \"$3\" -k \"$2\" -c listen_addresses=127.0.0.1 -c max_connections=40 \
                    >>\"$2/log\" 2>&1 & echo $! >\"$2/pid\"; read -r line; \
                    [ \"$line\" = kill ] && kill -9 $(cat \"$2/pid\") $(head -n 1 \"$2/data/postmaster.pid\"); \
                    kill -INT $(cat \"$2/pid\") 2>/dev/null; wait; [ \"$line\" = kill ] || rm -rf \"$2\"";
        as_nobody("sh")
            .args(["-c", text, "sh"])
            .arg(programs.join("postgres"))
            .arg(folder)
            .arg(port.to_string())
            .current_dir(folder)
            .stdin(Stdio::piped())
            .spawn()
            .unwrap()
    }

    fn wait(&self) {
        let until = Instant::now() + Duration::from_secs(60);
        while self.sql("postgres", "SELECT 1").is_err() {
            assert!(Instant::now() < until, "the server does not start: {}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    /// Kills the server with no chance to tidy up.
    pub fn kill(&mut self) {
        let input = self.keeper.stdin.as_mut().unwrap();
        input.write_all(b"kill\n").unwrap();
        self.keeper.wait().unwrap();
        // Its own processes notice that it is gone.
        std::thread::sleep(Duration::from_millis(500));
    }

    /// Starts it again after a kill.
    pub fn begin_again(&mut self) {
        self.keeper = Self::begin(&self.programs, &self.folder, self.port);
        self.wait();
    }

    fn psql(&self) -> Command {
        let mut psql = Command::new(self.programs.join("psql"));
        psql.args(["-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1"]).stdin(Stdio::null());
        psql
    }

    /// SQL as the one who may do everything: what it gives, or what is wrong.
    ///
    /// # Errors
    /// What the server said.
    pub fn sql(&self, base: &str, text: &str) -> Result<String, String> {
        let mut psql = self.psql();
        psql.arg("-h").arg(&self.folder).args(["-p", &self.port.to_string(), "-U", "root", "-d", base, "-c", text]);
        answer(psql)
    }

    /// SQL by a login.
    ///
    /// # Errors
    /// What the server said.
    pub fn sql_as(&self, login: &str, base: &str, text: &str) -> Result<String, String> {
        let mut psql = self.psql();
        psql.args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-U", login, "-d", base, "-c", text]);
        psql.env("PGPASSWORD", PASSWORD);
        answer(psql)
    }

    /// A database that was made before.
    pub fn known(&self, base: &str) -> Base<'_> {
        Base { server: self, name: base.into(), options: String::new() }
    }

    /// A database with the tables, and these logins: a bench each, and `reader`, which reads everything. Logins are made
    /// once in a server, so tests that share one give theirs names of their own.
    pub fn office(&self, base: &str, benches: &[&str]) -> Base<'_> {
        self.office_over(base, benches, "")
    }

    /// The same with options that every address of it has.
    pub fn office_over(&self, base: &str, benches: &[&str], options: &str) -> Base<'_> {
        self.sql("postgres", &format!("CREATE DATABASE {base}")).unwrap();
        let owner = format!("{base}_keeper");
        let mut logins = format!(
            "CREATE ROLE {owner} LOGIN CREATEROLE PASSWORD '{PASSWORD}'; GRANT CREATE ON DATABASE {base} TO {owner};"
        );
        logins += &format!("CREATE ROLE {base}_reader LOGIN PASSWORD '{PASSWORD}';");
        for bench in benches {
            logins += &format!("CREATE ROLE {base}_{bench} LOGIN PASSWORD '{PASSWORD}';");
        }
        self.sql("postgres", &logins).unwrap();
        let made = Base { server: self, name: base.into(), options: options.into() };
        let said = made.seathold(Path::new("/nowhere"), &["register", "office-tables", &made.address("keeper")]);
        assert_eq!((said.code, said.err.as_str()), (0, ""), "{}", said.out);
        let mut grants = format!("GRANT seathold_office TO {base}_reader;");
        for bench in benches {
            grants += &format!("GRANT seathold_bench TO {base}_{bench};");
        }
        self.sql(base, &grants).unwrap();
        made
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.keeper.stdin.take());
        let _ = self.keeper.wait();
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

fn answer(mut psql: Command) -> Result<String, String> {
    let said = psql.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().and_then(Child::wait_with_output).unwrap();
    let (mut out, mut err) = (String::new(), String::new());
    (&said.stdout[..]).read_to_string(&mut out).unwrap();
    (&said.stderr[..]).read_to_string(&mut err).unwrap();
    if said.status.success() { Ok(out.trim_end().to_owned()) } else { Err(err) }
}

/// A database of the server, with the office's tables.
#[derive(Debug)]
pub struct Base<'a> {
    server: &'a Server,
    name: String,
    options: String,
}

impl Base<'_> {
    /// The address for a login of it: "one", "reader", "keeper".
    pub fn address(&self, login: &str) -> String {
        format!("postgres://{0}_{login}@127.0.0.1:{1}/{0}{2}", self.name, self.server.port, self.options)
    }

    /// The environment of a program that knows the password.
    pub fn environment(&self) -> Environment {
        Environment::default().with("PGPASSWORD", PASSWORD)
    }

    /// Runs the program in this process, with the password in its environment.
    pub fn seathold(&self, dir: &Path, arguments: &[&str]) -> crate::cli_kit::Said {
        crate::cli_kit::seathold_with(dir, arguments, &self.environment())
    }

    /// SQL as the one who may do everything.
    ///
    /// # Panics
    /// When the server refuses it.
    pub fn sql(&self, text: &str) -> String {
        self.server.sql(&self.name, text).unwrap()
    }

    /// SQL by a login of this database.
    ///
    /// # Errors
    /// What the server said.
    pub fn sql_as(&self, login: &str, text: &str) -> Result<String, String> {
        self.server.sql_as(&format!("{}_{login}", self.name), &self.name, text)
    }

    /// How much the server has written for every database since it began, in bytes of its log.
    pub fn written(&self) -> u64 {
        self.sql("SELECT pg_wal_lsn_diff(pg_current_wal_insert_lsn(), '0/0')").parse().unwrap()
    }
}
