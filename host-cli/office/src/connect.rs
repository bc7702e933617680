//! A connection to an office, and errors with its address.

use std::fmt;
use std::sync::mpsc::channel;
use std::time::Duration;

use postgres::types::ToSql;
use postgres::{Client, NoTls, Row, Transaction};

use crate::address::OfficeAddress;
use crate::error::{Error, words};

/// How long to wait until the login is done.
const ANSWER: Duration = Duration::from_secs(15);

/// An open connection.
pub struct Office {
    pub(crate) client: Client,
    /// Its address, as it may be shown.
    shown: String,
}

impl fmt::Debug for Office {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Office({})", self.shown)
    }
}

impl fmt::Display for Office {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.shown)
    }
}

/// What is said of a failed request, with the address.
#[derive(Clone, Debug)]
pub(crate) struct ErrorNames(String);

impl ErrorNames {
    pub(crate) fn of(&self, why: &postgres::Error) -> Error {
        Error::Office { office: self.0.clone(), why: words(why) }
    }

    pub(crate) fn fault(&self, why: &str) -> Error {
        Error::Office { office: self.0.clone(), why: why.into() }
    }
}

impl Office {
    /// Connects.
    ///
    /// # Errors
    /// When the office cannot be reached or refuses the login.
    pub fn connect(address: &OfficeAddress) -> Result<Self, Error> {
        let names = ErrorNames(address.to_string());
        let (config, line) = (address.config.clone(), address.roots.as_deref().map(crate::roots::encrypted));
        let line = line.transpose()?;
        let (answer, answered) = channel();
        // Something that takes the connection and then says nothing would be waited for without an end.
        std::thread::spawn(move || {
            let client = match line {
                Some(line) => config.connect(line),
                None => config.connect(NoTls),
            };
            // Nobody may be waiting any more.
            let _ = answer.send(client);
        });
        match answered.recv_timeout(ANSWER) {
            Ok(Ok(client)) => Ok(Self { client, shown: names.0 }),
            Ok(Err(why)) => Err(names.of(&why)),
            Err(_) => Err(names.fault(&format!("cannot be reached: no answer within {} s", ANSWER.as_secs()))),
        }
    }

    /// For errors while the connection is borrowed.
    pub(crate) fn names(&self) -> ErrorNames {
        ErrorNames(self.shown.clone())
    }

    pub(crate) fn fault(&self, why: &str) -> Error {
        self.names().fault(why)
    }

    /// The one row of a query.
    pub(crate) fn row(&mut self, query: &str, values: &[&(dyn ToSql + Sync)]) -> Result<Row, Error> {
        self.client.query_one(query, values).map_err(|why| self.names().of(&why))
    }

    /// The rows of a query.
    pub(crate) fn rows(&mut self, query: &str, values: &[&(dyn ToSql + Sync)]) -> Result<Vec<Row>, Error> {
        self.client.query(query, values).map_err(|why| self.names().of(&why))
    }

    /// Statements one after the other.
    pub(crate) fn script(&mut self, text: &str) -> Result<(), Error> {
        self.client.batch_execute(text).map_err(|why| self.names().of(&why))
    }

    /// A transaction that ends without a trace unless it is committed.
    pub(crate) fn transaction(&mut self) -> Result<Transaction<'_>, Error> {
        let names = self.names();
        self.client.transaction().map_err(|why| names.of(&why))
    }
}
