//! What is handed on: pages and sheets of evidence, and tables, of recordings and of the register.

mod export;
mod from_register;
mod labels;
mod language;
mod new_files;
mod no_verdict;
mod pages;
mod readme_picture;
