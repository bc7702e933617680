//! From readings to figures and verdicts, and what is made of many of them: fits, predictions and classes against
//! published values, and recordings judged again, studied and tuned by.

mod bit_identity;
mod daily;
mod fitters;
mod mixture;
mod prediction;
mod published_values;
mod rate_classes;
mod rejudge;
mod study;
mod thermometer;
mod tune;
mod wandering;
