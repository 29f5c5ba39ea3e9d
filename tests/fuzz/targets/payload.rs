//! The payload of a message: the wire contract and SenML.

#![no_main]

#[allow(dead_code, reason = "each target uses a part of it")]
#[path = "../../bench/hostile/inputs.rs"]
mod inputs;

use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;

static DECODERS: LazyLock<inputs::Decoders> = LazyLock::new(Default::default);

fuzz_target!(|bytes: &[u8]| {
    DECODERS.payload(bytes);
});
