mod boxes;
mod closed_form;
