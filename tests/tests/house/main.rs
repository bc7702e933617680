//! The house itself: rules that the text of the repository keeps, and which way its modules depend.

mod field_docs;
mod house_rules;
mod module_graph;
mod packages;
