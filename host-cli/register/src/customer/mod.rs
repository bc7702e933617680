//! What goes to the customer: for whom a valve is, and the certificates that were issued.
//!
//! | file | subject |
//! |---|---|
//! | [`order`] | the fields of an order |
//! | [`order_notes`] | what was stated of a batch and its valves |
//! | [`certificate`] | what a note seals of a certificate |
//! | [`issue`] | certificates issued, with numbers that never repeat |

pub mod certificate;
pub mod issue;
pub mod order;
pub mod order_notes;
