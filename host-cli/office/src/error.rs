//! Errors of an office, in words. An address in them never has a password.

use postgres::error::SqlState;

/// Why an office could not be used.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The address, or what belongs to it, cannot be used.
    #[error("{0}")]
    Address(String),
    /// The database could not be reached, refused, or is not as it should be.
    #[error("{office}: {why}")]
    Office {
        /// Its address.
        office: String,
        /// Why.
        why: String,
    },
    /// The register, or a record on its way into one.
    #[error(transparent)]
    Register(#[from] seathold_register::Error),
    /// A folder for records on their way could not be made.
    #[error("a temporary folder could not be made: {0}")]
    Folder(std::io::Error),
}

const PASSWORD_PLACES: &str = "it is looked for in PGPASSWORD, in the file of PGPASSFILE, and in ~/.pgpass";

/// What a client's error means, and what to do.
pub(crate) fn words(why: &postgres::Error) -> String {
    let Some(said) = why.as_db_error() else {
        let cause = std::error::Error::source(why).map_or_else(|| why.to_string(), ToString::to_string);
        return if why.is_closed() {
            format!("the connection was lost ({cause}); what was acknowledged is there: try again")
        } else if cause == "password missing" {
            format!("asks for a password: {PASSWORD_PLACES}")
        } else if why.to_string().contains("connecting") {
            format!("cannot be reached: {cause}")
        } else {
            format!("the connection failed: {why}: {cause}")
        };
    };
    let text = said.message();
    match *said.code() {
        SqlState::INVALID_PASSWORD | SqlState::INVALID_AUTHORIZATION_SPECIFICATION => {
            format!("refuses the login ({text}): {PASSWORD_PLACES}")
        }
        SqlState::INSUFFICIENT_PRIVILEGE => format!("does not allow it to this login: {text}"),
        SqlState::ADMIN_SHUTDOWN | SqlState::CRASH_SHUTDOWN | SqlState::CANNOT_CONNECT_NOW => {
            format!("is stopping or starting ({text}); what was acknowledged is there: try again")
        }
        SqlState::CHARACTER_NOT_IN_REPERTOIRE | SqlState::UNTRANSLATABLE_CHARACTER => {
            format!("cannot keep a text with a NUL character, or has another character set than UTF8: {text}")
        }
        _ => format!("{text} ({})", said.code().code()),
    }
}
