//! Counting on the phone: what a tap writes, and what it does not.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use vernalog::trial::book::Book;
use vernalog::trial::entry::Look;

use crate::support::house::name;
use crate::support::phone::Phone;
use crate::web_page::{at, house_with_boxes, n_entries, unit};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_count_keeps_the_numbers_the_look_the_note_and_who_looked() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");

    phone.open(&r01).await.shows("<strong>0 of 20</strong>");
    phone
        .send(
            &format!("{r01}/count"),
            &[
                ("do", "count"),
                ("new", "3"),
                ("mouldy_now", "1"),
                ("removed_mould", "2"),
                ("looked", "opened"),
                ("note", "white thread at the rim"),
                ("by", "Róisín"),
            ],
        )
        .await
        .answers(200)
        .shows("3 newly germinated, 1 mouldy, 2 removed for mould. Recorded.")
        .shows("Counting as <strong>Róisín</strong>")
        .shows("<strong>3 of 20</strong>");

    let unit = unit(&house, "r01");
    let look = &unit.looks[0];
    assert_eq!((look.germinated, look.mouldy_now), (3, 1));
    assert_eq!((look.removed_mould, look.left), (2, 15));
    assert_eq!((look.looked, &*look.by), (Look::Opened, "Róisín"));
    assert_eq!(look.note, "white thread at the rim");
    let entry = house.store().ledger().unwrap().pop().unwrap();
    assert_eq!((&*entry.by, &*entry.origin), ("Róisín", "page"));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_new_is_one_tap_and_the_next_box_of_the_round_follows() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r13 = at(&house, "r13");

    phone.open("/round").await.shows(&format!("{r13}?round=1"));
    phone.open(&format!("{r13}?round=1")).await;
    phone
        .send(&format!("{r13}/count"), &[("do", "zero-through-lid")])
        .await
        .answers(200)
        .shows("<strong>r13</strong>: nothing new. Recorded.")
        .shows("<h1>r14</h1>")
        .shows("23 to look at");

    let look = unit(&house, "r13").looks[0].clone();
    assert_eq!((look.germinated, look.left), (0, 20));
    assert_eq!(look.looked, Look::ThroughLid);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_count_is_taken_back_in_one_tap_and_both_entries_stay() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let (count, undo) = (format!("{r01}/count"), format!("{r01}/undo"));

    phone.open(&r01).await;
    phone
        .send(&count, &[("do", "count"), ("new", "4"), ("looked", "opened")])
        .await;
    let before = n_entries(&house);
    let twice = phone.says(&phone.filled(&undo, &[]));
    phone.send(&undo, &[]).await.shows("Taken back: 4 newly germinated");
    // The same tap once more changes nothing and is no error.
    phone.ask(&undo, &twice).await.answers(303);

    assert_eq!(unit(&house, "r01").looks, []);
    assert_eq!(n_entries(&house), before + 1);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_count_of_the_wrong_box_is_given_to_the_right_one() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");

    phone.open(&r01).await;
    phone
        .send(
            &format!("{r01}/count"),
            &[
                ("do", "count"),
                ("new", "4"),
                ("looked", "opened"),
                ("by", "Róisín"),
            ],
        )
        .await;
    let belongs = format!("{r01}/belongs");
    phone
        .send(&belongs, &[("other", "r99")])
        .await
        .answers(422)
        .shows("no box of trial rowan is called “r99”");
    let label = unit(&house, "r02").label.unwrap().to_string();
    phone
        .send(&belongs, &[("other", &label.to_lowercase())])
        .await
        .answers(200)
        .shows("<h1>r02</h1>");

    assert_eq!(unit(&house, "r01").looks, []);
    let look = unit(&house, "r02").looks[0].clone();
    assert_eq!((look.germinated, &*look.by), (4, "Róisín"));
    let entry = house.store().ledger().unwrap().pop().unwrap();
    assert_eq!(
        entry.draft.reason.as_deref(),
        Some("it belongs to another box")
    );
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_count_that_cannot_be_is_answered_with_help_and_kept_as_typed() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let before = n_entries(&house);
    let cases: [(&[(&str, &str)], &str); 7] = [
        (
            &[("new", "21")],
            "only 20 seeds are left in r01 (0 of 20 germinated before)",
        ),
        (&[("new", "3"), ("removed_mould", "18")], "21 seeds are typed"),
        (&[("new", "18"), ("mouldy_now", "3")], "3 seeds are mouldy, but"),
        (&[("new", "two")], "“two” is not a number of seeds"),
        (&[("new", "-1")], "“-1” is not a number of seeds"),
        (&[("new", "4294967295")], "is not a number of seeds"),
        (&[], "type at least one number"),
    ];
    for (typed, told) in cases {
        phone.open(&r01).await;
        let mut all = typed.to_vec();
        all.extend([("do", "count"), ("looked", "opened"), ("note", "wet")]);
        let page = phone.send(&format!("{r01}/count"), &all).await;
        page.answers(422).shows(told).shows("Nothing was written.");
        for (_, value) in typed.iter().chain(&[("note", "wet")]) {
            page.shows(&format!("value=\"{value}\""));
        }
    }
    phone.open(&r01).await;
    let both = [("do", "zero-opened"), ("new", "2")];
    phone.send(&format!("{r01}/count"), &both).await.answers(422);

    assert_eq!(n_entries(&house), before);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_form_sent_twice_counts_once() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let count = format!("{r01}/count");

    phone.open(&r01).await;
    // Only 20 are there: the second would not even be possible.
    let typed = [("do", "count"), ("new", "15"), ("looked", "opened")];
    let says = phone.says(&phone.filled(&count, &typed));
    let first = phone.ask(&count, &says).await;
    house.clock.pass(5);
    let second = phone.ask(&count, &says).await;

    assert_eq!((first.status, second.status), (303, 303));
    assert_eq!(unit(&house, "r01").looks.len(), 1);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_round_of_24_with_4_changed_ends_with_two_taps_a_place() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    for changed in ["r02", "r07", "r15", "r20"] {
        house.clock.pass(10);
        let link = at(&house, changed);
        phone.open(&format!("{link}?round=1")).await;
        let typed = [("do", "count"), ("new", "2"), ("looked", "opened")];
        phone.send(&format!("{link}/count"), &typed).await.answers(200);
    }
    for (place, left) in [("stair-landing", 10), ("boiler-shelf", 10)] {
        house.clock.pass(10);
        let link = format!("/round/others?place={place}");
        let page = phone.open(&link).await;
        page.shows(&format!("<strong>{left} units</strong>"));
        page.does_not_show("<strong>r02</strong>");
        let shown: Vec<String> = page
            .body
            .split("name=\"unit\" checked value=\"")
            .skip(1)
            .map(|rest| rest.split('"').next().unwrap().to_owned())
            .collect();
        assert_eq!(shown.len(), left);
        let mut typed = vec![("looked", "through-lid")];
        typed.extend(shown.iter().map(|unit| ("unit", unit.as_str())));
        phone.send("/round/others", &typed).await.answers(200);
    }

    // The batch itself has no seed left, so it is not part of the round.
    phone.open("/round").await.shows("All 24 units were looked at today");
    let (book, _) = Book::build(&house.store().ledger().unwrap());
    let trial = &book.trials["rowan"];
    let looks: Vec<u32> =
        trial.containers().map(|unit| unit.looks[0].germinated).collect();
    assert_eq!(looks.iter().sum::<u32>(), 8);
    assert!(trial.containers().all(|unit| unit.looks.len() == 1));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_move_is_recorded_with_the_look_before_it() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let moved = format!("{r01}/move");
    let to = [("place", "boiler-shelf"), ("moist", "moist")];

    phone.open(&r01).await;
    phone.send(&moved, &to).await.answers(422).shows("say whether the lid");
    let mut typed = to.to_vec();
    typed.extend([("looked", "opened"), ("new", "1"), ("position", "left")]);
    phone.send(&moved, &typed).await.answers(200);

    let unit = unit(&house, "r01");
    assert_eq!(unit.looks[0].germinated, 1);
    let stay = unit.last_stay().unwrap();
    assert_eq!(
        (stay.place.as_str(), &*stay.position),
        ("boiler-shelf", "left")
    );
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_box_is_closed_only_when_its_seeds_add_up() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let close = format!("{r01}/close");

    phone.open(&r01).await;
    phone
        .send(&close, &[("viable", "12"), ("empty", "6")])
        .await
        .answers(422)
        .shows("20 seeds left and 18 classed: 2 seeds more to class")
        .shows("value=\"12\"");
    phone
        .send(&close, &[("viable", "12"), ("empty", "6"), ("lost", "2")])
        .await
        .answers(200)
        .shows("12 viable, 6 empty");

    assert!(unit(&house, "r01").closure.is_some());
    let undo = format!("{r01}/undo");
    phone.send(&undo, &[]).await.answers(200);
    assert!(unit(&house, "r01").closure.is_none());
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_tally_sheet_is_typed_in_at_once_all_or_nothing() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let code = |called| unit(&house, called).label.unwrap().to_string();
    let (a, b) = (code("r01"), code("r02"));
    let field = |code: &str, name: &str| format!("{code}.{name}");
    let before = n_entries(&house);

    phone.open("/tally").await.shows("r24").shows("newly germinated");
    let fields = [
        (field(&a, "new"), "2"),
        (field(&b, "new"), "25"),
        (field(&b, "note"), "dry"),
        ("looked".to_owned(), "opened"),
    ];
    let typed: Vec<(&str, &str)> =
        fields.iter().map(|(k, v)| (k.as_str(), *v)).collect();
    phone
        .send("/tally", &typed)
        .await
        .answers(422)
        .shows("only 20 seeds are left in r02")
        .shows("value=\"25\"");
    assert_eq!(n_entries(&house), before);

    let fields = [
        (field(&a, "new"), "2"),
        (field(&b, "new"), "0"),
        ("looked".to_owned(), "through-lid"),
        ("at".to_owned(), "2026-02-11T09:30"),
    ];
    let typed: Vec<(&str, &str)> =
        fields.iter().map(|(k, v)| (k.as_str(), *v)).collect();
    phone.send("/tally", &typed).await.answers(200).shows("2 looks recorded");

    assert_eq!(n_entries(&house), before + 2);
    let look = unit(&house, "r01").looks[0].clone();
    assert_eq!(look.when.at.to_string(), "2026-02-11T09:30:00Z");
    assert_eq!(unit(&house, "r03").looks, []);
    daemon.stop().await;
}

/// Whatever is typed, the ledger stays sound and every page answers.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn random_forms_neither_panic_nor_leave_half_an_entry() {
    let seed = 20_260_211;
    let mut dice = ChaCha8Rng::seed_from_u64(seed);
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let links: Vec<String> =
        ["r01", "r02", "r03"].map(|called| at(&house, called)).into();
    let odd = [
        "",
        "0",
        "1",
        "3",
        "9",
        "20",
        "-1",
        "1e9",
        "99999999999",
        "r02",
        "stair-landing",
        "boiler-shelf",
        "not",
        "opened",
        "through-lid",
        "heavy",
        "dry",
        "zero-opened",
        "count",
        "<b>",
        "\0",
        "💧",
        "../..",
    ];
    let odd_names = ["by", "round", "nonsense"];
    let (mut taken, rounds) =
        (0, if crate::support::long() { 10_000 } else { 300 });
    for _ in 0..rounds {
        house.clock.pass(1);
        let link = &links[dice.random_range(0..links.len())];
        let change = ["count", "undo", "belongs", "move", "mould", "close"]
            [dice.random_range(0..6)];
        let mut fields = phone_keys(&mut phone, dice.random()).await;
        let own = fields_of(change);
        for name in own.iter().chain(&odd_names) {
            if dice.random_bool(0.6) {
                let likely = likely(name);
                let values =
                    if dice.random_bool(0.85) { likely } else { &odd[..] };
                let value = values[dice.random_range(0..values.len())];
                fields.push(((*name).to_owned(), value.to_owned()));
            }
        }
        if change == "undo" && dice.random_bool(0.5) {
            let newest = n_entries(&house).to_string();
            fields.push(("entry".to_owned(), newest));
        }
        let says = phone.says(&fields);
        let page = phone.ask(&format!("{link}/{change}"), &says).await;
        assert!(
            [303, 422].contains(&page.status),
            "seed {seed}: {} for {fields:?}\n{}",
            page.status,
            page.body
        );
        taken += u32::from(page.status == 303);
    }

    assert!(taken > 10, "only {taken} were taken");
    let (book, problems) = Book::build(&house.store().ledger().unwrap());
    assert_eq!(problems, []);
    for unit in book.trials["rowan"].containers() {
        let out = unit.germinated()
            + unit.removed_mould()
            + unit.removed_other()
            + unit.transferred();
        assert_eq!(unit.entered(), out + unit.left(), "{}", unit.name);
    }
    assert!(book.trials["rowan"].units.contains_key(&name("r24")));
    daemon.stop().await;
}

fn fields_of(change: &str) -> &'static [&'static str] {
    match change {
        "count" => &[
            "do",
            "new",
            "mouldy_now",
            "removed_mould",
            "removed_other",
            "looked",
            "note",
        ],
        "undo" => &["entry"],
        "belongs" => &["entry", "other"],
        "move" => &["place", "moist", "looked", "new", "position"],
        "mould" => &["severity"],
        _ => &["viable", "empty", "dead", "mouldy", "lost"],
    }
}

/// What a hand might mean in a field.
fn likely(name: &str) -> &'static [&'static str] {
    match name {
        "do" => &["zero-opened", "zero-through-lid", "count"],
        "looked" => &["opened", "through-lid", "not"],
        "place" => &["stair-landing", "boiler-shelf"],
        "moist" => &["moist", "dry"],
        "severity" => &["none", "trace", "heavy"],
        "other" => &["r01", "r02", "r03"],
        "note" | "position" | "by" => &["", "left", "white tips"],
        _ => &["", "0", "1", "2"],
    }
}

/// Token and a fresh key, as any page has them.
async fn phone_keys(phone: &mut Phone, fresh: u128) -> Vec<(String, String)> {
    if phone.page.status == 0 {
        phone.open("/round/others?place=boiler-shelf").await;
    }
    let mut keys = phone.filled("/round/others", &[]);
    keys.retain(|(name, _)| name == "token");
    keys.push(("form".to_owned(), format!("{fresh:032x}")));
    keys
}
