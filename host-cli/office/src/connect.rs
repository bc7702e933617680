//! A connection to an office, and errors with its address.

use std::fmt;

use postgres::types::ToSql;
use postgres::{Client, NoTls, Row, Transaction};

use crate::address::OfficeAddress;
use crate::error::{Error, words};

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
        let shown = address.to_string();
        let client = match &address.roots {
            Some(roots) => address.config.connect(crate::roots::encrypted(roots)?),
            None => address.config.connect(NoTls),
        };
        let client = client.map_err(|why| ErrorNames(shown.clone()).of(&why))?;
        Ok(Self { client, shown })
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
