//! The program's door: reads arguments, runs, prints the error, chooses the
//! exit code.

fn main() {}
