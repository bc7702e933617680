//! What leaves the shop with a valve: on one page who tested it, how, against what limit and with what result.
//!
//! | file | subject |
//! |---|---|
//! | `data` | what it states, as data: read by a program, and sealed by its hash |
//! | `page` | the same as a page for each valve, or as one page with a table |
//! | `words` | what the data say, in words of a language |

mod data;
mod page;
mod words;

pub use data::{
    CertificateData, CertifiedSide, CertifiedValve, CertifyingShop, LaterRecord, LaterWhat, not_certifiable,
};
pub use page::{PageError, document, zone_name};
