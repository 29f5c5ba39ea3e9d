//! Collecting, the whole way in: from bytes at a door to rows in the store.

mod bad_input;
mod dates;
mod doors;
mod once;
mod undeclared;
