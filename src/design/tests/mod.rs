mod boxes;
mod closed_form;
mod l_room;
