//! Opening, making and migrating a register.

use std::path::Path;
use std::time::{Duration, Instant};

use rusqlite::{Connection, ErrorCode, OpenFlags, TransactionBehavior, params};

use super::error::WithPath;
use super::schema::{APPLICATION, MIGRATIONS, VERSION};
use super::signed::BenchSigner;
use super::{Register, RegisterError};
use crate::error::Error;

/// How long to wait for another program's write.
pub const WAIT: Duration = Duration::from_secs(10);

/// Access to a register.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// Read only.
    Read,
    /// To append; it must be there.
    Write,
    /// To append; made where it is not there.
    Make,
}

impl Register {
    /// Opens a register.
    ///
    /// # Errors
    /// When there is none, the file is something else or newer, or it cannot be read or made. A file that is not a
    /// register is left as it is.
    pub fn open(path: &Path, access: Access) -> Result<Self, Error> {
        Self::open_named(path, access, "bench")
    }

    /// Opens a register; one that has to be made belongs to a bench of this name.
    ///
    /// # Errors
    /// As for [`Self::open`].
    pub fn open_named(path: &Path, access: Access, bench: &str) -> Result<Self, Error> {
        let why = |why| Error::register(path, why);
        // A folder of that name is not what anybody wants.
        if path.to_str().is_some_and(|name| name.starts_with("postgres://") || name.starts_with("postgresql://")) {
            let what = "is an office, and no register: `seathold register pull` brings its records into one, and `find \
                        --serial` looks there itself";
            return Err(why(RegisterError::Refused(what.into())));
        }
        match std::fs::metadata(path) {
            Ok(is) if is.is_dir() => return Err(why(RegisterError::CannotOpen)),
            Ok(_) => {}
            Err(_) if access == Access::Make => {
                if let Some(folder) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
                    std::fs::create_dir_all(folder).map_err(|why| Error::file("make", folder, why))?;
                }
            }
            Err(_) => return Err(why(RegisterError::Missing)),
        }
        let how = match access {
            Access::Read => OpenFlags::SQLITE_OPEN_READ_ONLY,
            Access::Write => OpenFlags::SQLITE_OPEN_READ_WRITE,
            Access::Make => OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE,
        };
        let how = how | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut db = Connection::open_with_flags(path, how).at(path)?;
        db.busy_timeout(WAIT).at(path)?;
        let mut known = identity(&db);
        if access == Access::Read && known.is_err() && is_alone(path) {
            // In a read-only folder SQLite cannot keep its log beside the file. Where there is no log
            // nobody is writing either, and it can do without.
            let uri = format!("file:{}?immutable=1", escaped(path));
            db = Connection::open_with_flags(uri, how | OpenFlags::SQLITE_OPEN_URI).at(path)?;
            known = identity(&db);
        }
        db.set_prepared_statement_cache_capacity(64);
        let (application, version) = known.at(path)?;
        let blank = application == 0 && version == 0 && tables(&db).at(path)? == 0;
        match (application, version) {
            (APPLICATION, 1..=VERSION) => {}
            (APPLICATION, newer) if newer > VERSION => return Err(why(RegisterError::Newer(newer))),
            _ if blank && access == Access::Make => {}
            _ => return Err(why(RegisterError::Foreign)),
        }
        if access != Access::Read {
            if db.is_readonly("main").at(path)? {
                return Err(why(RegisterError::ReadOnly));
            }
            log_ahead(&db).at(path)?;
            if version < VERSION {
                migrate(&mut db, bench).at(path)?;
            }
        }
        // Synchronous FULL: what a commit has acknowledged survives a power cut, also in the write-ahead log.
        db.execute_batch("PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF;")
            .at(path)?;
        let bench = db.query_row("SELECT bench FROM benches WHERE local = 1", [], |row| row.get(0)).at(path)?;
        let version = if access == Access::Read { version } else { VERSION };
        let signer = BenchSigner::beside(path);
        let mut register = Self { db, path: path.into(), bench, version, signer };
        if access != Access::Read {
            register.finish_change_of_keys()?;
        }
        Ok(register)
    }

    /// Waits this long for another program's write, instead of the usual time.
    ///
    /// # Errors
    /// None in practice.
    pub fn patience(&self, wait: Duration) -> Result<(), Error> {
        self.db.busy_timeout(wait).at(&self.path)
    }
}

/// Whether no write-ahead log lies beside the file.
fn is_alone(path: &Path) -> bool {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    !Path::new(&log).exists()
}

/// A path as part of a URI.
fn escaped(path: &Path) -> String {
    path.to_string_lossy().replace('%', "%25").replace('?', "%3f").replace('#', "%23")
}

fn identity(db: &Connection) -> rusqlite::Result<(u32, u32)> {
    let number = |name| db.pragma_query_value(None, name, |row| row.get::<_, i32>(0));
    Ok((number("application_id")? as u32, number("user_version")? as u32))
}

fn tables(db: &Connection) -> rusqlite::Result<i64> {
    db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
}

/// Sets the write-ahead log. SQLite does not wait for others here, so we do: two programs may be making one file.
fn log_ahead(db: &Connection) -> rusqlite::Result<()> {
    let until = Instant::now() + WAIT;
    loop {
        let set = db.pragma_update_and_check(None, "journal_mode", "wal", |row| row.get::<_, String>(0));
        match set {
            Err(why) if why.sqlite_error_code() == Some(ErrorCode::DatabaseBusy) && Instant::now() < until => {
                std::thread::sleep(Duration::from_millis(5));
            }
            other => return other.map(|_| ()),
        }
    }
}

fn migrate(db: &mut Connection, bench: &str) -> rusqlite::Result<()> {
    let change = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Another program may have done it while this one waited.
    let (_, version) = identity(&change)?;
    for (from, step) in (0..).zip(MIGRATIONS).skip(version as usize) {
        change.execute_batch(step)?;
        if from == 0 {
            change.pragma_update(None, "application_id", APPLICATION as i32)?;
            let uuid = uuid::Uuid::now_v7().to_string();
            change.execute(
                "INSERT INTO benches (bench, name, local, complete, last_number, seal) VALUES (?, ?, 1, 1, 0, ?)",
                params![uuid, bench, genesis(&uuid)],
            )?;
        }
    }
    change.pragma_update(None, "user_version", VERSION)?;
    change.commit()
}

/// The seal before the first record of a bench.
pub fn genesis(bench: &str) -> String {
    seathold_recording::hash::sha256(bench.as_bytes())
}
