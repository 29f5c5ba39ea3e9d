//! A peer's whole conversation with the inlet.

#![no_main]

#[allow(dead_code, reason = "each target uses a part of it")]
#[path = "../../bench/hostile/inputs.rs"]
mod inputs;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .expect("a runtime without a socket");
    let talk = runtime.block_on(inputs::talk(bytes));
    assert!(!talk.ended.is_empty());
});
