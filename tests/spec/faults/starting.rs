//! Starts that must be refused.

use vernalog::daemon::{DaemonError, start};

use crate::support::house::House;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_daemon_on_one_data_file_is_refused() {
    let home = House::new();
    let first = home.start().await;
    let clock = home.clock_for_the_daemon();
    let error = start(home.plan(), clock).await.unwrap_err();
    assert!(matches!(error, DaemonError::Lock(_)));
    let text = error.to_string();
    assert_eq!(text, "a daemon already runs on this data file");
    first.stop().await;
    home.start().await.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_ledger_that_cannot_be_understood_is_told_at_the_start() {
    let home = House::new();
    home.place("fridge-drawer");
    let spoiled = rusqlite::Connection::open(home.data()).unwrap();
    spoiled
        .execute_batch(
            "DROP TRIGGER entry_is_never_changed; \
             UPDATE entry SET body = '{\"kind\":\"spell\"}' WHERE id = 1;",
        )
        .unwrap();
    let clock = home.clock_for_the_daemon();
    let error = start(home.plan(), clock).await.unwrap_err();
    assert!(error.to_string().contains("ledger entry 1"), "{error}");
}
