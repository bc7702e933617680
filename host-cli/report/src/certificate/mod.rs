//! What leaves the shop with a valve: on one page who tested it, how, against what limit and with what result.
//!
//! | file | subject |
//! |---|---|
//! | `data` | what it states, as data: read by a program, and sealed by its hash |
//! | `page` | the same as a page for each valve, or as one page with a table |

mod data;
mod page;

pub use data::{CertificateData, CertifiedSide, CertifiedValve, CertifyingShop, fingerprint, not_certifiable};
pub use page::document;
