//! The tables as others see them: names, digits, files, schema, reference page, results folder.

mod columns;
mod constants;
mod folder;
mod forms;
mod pages;
mod reference;
pub mod sample;
