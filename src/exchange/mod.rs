//! Files that come in and go out: the trial folder, readings, local times.
//!
//! It turns rows into drafts and entries into rows. Whether a draft may be
//! written is judged by `trial::admission`; who asked is `cli` or `web`.

pub mod times;

pub mod marking;

pub mod nearest;

pub mod columns;

mod sheet;

mod row;

pub mod folder_in;

mod rows_of_events;
mod rows_of_house;
mod rows_of_units;

pub mod folder_out;

mod package;

pub mod readings_in;

pub mod readings_out;
