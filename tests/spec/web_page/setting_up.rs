//! Setting up on the phone: everything the ledger holds can be made there,
//! a form that cannot be says why beside its field, and nothing is lost.

use vernalog::observation::Quantity;
use vernalog::trial::book::Book;
use vernalog::trial::entry::{Check, Counted, Lid, Look, PlaceKind, Statement};

use crate::support::house::{House, name, sample, topic};
use crate::support::peer::{Peer, puback, publish};
use crate::support::phone::Phone;
use crate::web_page::{house_with_boxes, n_entries, with_pages};

/// A house in which nothing is recorded.
pub(crate) fn empty_house() -> House {
    let mut house = with_pages();
    house.inlet = None;
    house
}

fn book(house: &House) -> Book {
    let (book, problems) = Book::build(&house.store().ledger().unwrap());
    assert_eq!(problems, []);
    book
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_empty_store_leads_from_the_first_trial_to_the_first_count() {
    let house = empty_house();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());

    phone.open("/").await.shows("Five steps lead to the first count");
    phone.open("/setup").await.shows("Five steps").shows("Begin: a trial");
    phone.open("/setup/trials").await.shows("step 1 of 5");
    phone
        .send(
            "/setup/trials",
            &[
                ("question", "Six or twelve weeks?"),
                ("name", "rowan"),
                ("planned", "chill_weeks, place"),
                ("by", "Róisín"),
            ],
        )
        .await
        .answers(200)
        .shows("<h1>Places</h1>")
        .shows("Recorded: trial rowan.");
    for (title, kind) in
        [("Fridge drawer", "fridge"), ("Stair landing", "shelf")]
    {
        phone
            .send("/setup/places", &[("title", title), ("kind", kind)])
            .await
            .answers(200);
    }
    phone.page.shows("Recorded: place stair-landing.");
    phone.page.shows("Go on: lots");
    phone.open("/setup/lots").await;
    phone
        .send(
            "/setup/lots",
            &[("species", "Sorbus aucuparia"), ("supplier", "Hedge")],
        )
        .await
        .shows("Recorded: lot hedge.");
    phone.open("/setup/batches?lot=hedge").await;
    house.clock.pass(60);
    phone
        .send(
            "/setup/batches",
            &[
                ("lot", "hedge"),
                ("seeds", "120"),
                // Eight weeks in the cold already.
                ("on", "2026-01-10"),
                ("place", "fridge-drawer"),
                ("moist", "moist"),
                ("factor-chill_weeks", "12"),
            ],
        )
        .await
        .answers(200)
        .shows("Recorded: batch hedge-12 and 1 more.");
    phone.open("/setup/containers").await.shows("Make many at once");
    phone
        .open(
            "/setup/grid?trial=rowan&batch=hedge-12&place=stair-landing\
             &each=2&seeds=20",
        )
        .await
        .shows("2 containers")
        .shows("value=\"c01\"");
    let rows = [
        ("lid", "closed"),
        ("name-0", "c01"),
        ("seeds-0", "20"),
        ("position-0", "left"),
        ("name-1", "c02"),
        ("seeds-1", "20"),
    ];
    phone
        .send("/setup/grid", &rows)
        .await
        .answers(200)
        .shows("All 2 containers");
    house.clock.pass(86_400);

    let book = book(&house);
    let trial = &book.trials["rowan"];
    assert_eq!(trial.planned, ["chill_weeks", "place"]);
    let batch = &trial.units["hedge-12"];
    assert_eq!((batch.left(), batch.begun.date().is_some()), (80, true));
    assert_eq!(batch.stays[0].place, name("fridge-drawer"));
    let first = &trial.units["c01"];
    assert_eq!(first.stays[0].position, "left");
    assert_eq!(trial.level(first, "chill_weeks").unwrap().0, "12");
    assert_eq!(book.house.places["fridge-drawer"].kind, PlaceKind::Fridge);

    let label = first.label.unwrap();
    phone.open("/round").await.shows("c01");
    phone.open(&format!("/u/{label}")).await;
    phone
        .send(
            &format!("/u/{label}/count"),
            &[("do", "count"), ("new", "3"), ("looked", "opened")],
        )
        .await
        .shows("3 newly germinated. Recorded.");
    let entries = house.store().ledger().unwrap();
    assert!(entries.iter().all(|e| e.by == "Róisín" && e.origin == "page"));
    daemon.stop().await;
}

/// Page, what is typed, the field to blame, what is told there.
type Bad = (
    &'static str,
    &'static [(&'static str, &'static str)],
    &'static str,
    &'static str,
);

const BAD: &[Bad] = &[
    ("trials", &[("name", "rowan")], "name", "there already"),
    ("trials", &[("name", "Rowan 26")], "name", "“rowan-26” would do"),
    (
        "trials",
        &[("name", "x"), ("planned", "Chill weeks")],
        "planned",
        "a–z, 0–9 and _",
    ),
    ("trials", &[("name", "x"), ("on", "2199-01-01")], "on", "future"),
    ("trials", &[("name", "x"), ("clock", "12:00")], "on", "say the day"),
    ("places", &[("kind", "fridge")], "title", "say what you call"),
    ("places", &[("title", "Sill")], "kind", "what kind"),
    (
        "places",
        &[
            ("title", "Stair landing"),
            ("name", "stair-landing"),
            ("kind", "sill"),
        ],
        "name",
        "give this one another",
    ),
    ("lots", &[("supplier", "me")], "species", "say what it is"),
    (
        "lots",
        &[("species", "S."), ("factor-name", "storage"), ("factor-level", "1")],
        "factor-name",
        "a column of its own",
    ),
    ("batches", &[("seeds", "10")], "lot", "of which lot"),
    ("batches", &[("lot", "hedge"), ("seeds", "ten")], "seeds", "ten"),
    ("batches", &[("lot", "hedge")], "seeds", "at least 1"),
    ("batches", &[("lot", "nobody"), ("seeds", "3")], "name", "no lot"),
    (
        "batches",
        &[("lot", "hedge"), ("seeds", "3"), ("place", "attic")],
        "place",
        "no place",
    ),
    (
        "containers",
        &[("batch", "hedge-12"), ("seeds", "20"), ("lid", "closed")],
        "seeds",
        "only 0 seeds left",
    ),
    ("containers", &[("seeds", "20")], "lid", "how it is closed"),
    (
        "containers",
        &[("seeds", "2"), ("lid", "open"), ("name", "r01")],
        "name",
        "has this name already",
    ),
    ("boards", &[("place", "stair-landing")], "board", "which board"),
    ("boards", &[("board", "b1"), ("place", "attic")], "place", "no place"),
    (
        "watches",
        &[("place", "stair-landing"), ("quantity", "temperature")],
        "low",
        "a lowest wanted value",
    ),
    (
        "watches",
        &[
            ("place", "stair-landing"),
            ("quantity", "temperature"),
            ("low", "9"),
            ("high", "3"),
        ],
        "high",
        "above 9",
    ),
    (
        "watches",
        &[
            ("place", "stair-landing"),
            ("quantity", "humidity"),
            ("high", "90"),
            ("for", "0"),
        ],
        "for",
        "from 1 to 1440",
    ),
    (
        "calibrations",
        &[("board", "b1/air"), ("quantity", "temperature"), ("shown", "0,4")],
        "true",
        "both of the pair",
    ),
    (
        "calibrations",
        &[("board", "b1/air"), ("quantity", "temperature"), ("gain", "0")],
        "gain",
        "above 0",
    ),
    (
        "excluded",
        &[("board", "b1/air"), ("on", "2026-03-01")],
        "reason",
        "in a few words why",
    ),
    ("excluded", &[("board", "b1/air"), ("reason", "x")], "on", "from when"),
    (
        "watches",
        &[
            ("place", "stair-landing"),
            ("quantity", "humidity"),
            ("rule", "door"),
        ],
        "rule",
        "temperature",
    ),
    ("cells", &[("board", "b1")], "chemistry", "made of"),
    (
        "cells",
        &[("board", "b1"), ("chemistry", "lithium"), ("days", "x")],
        "days",
        "whole number",
    ),
    ("climate", &[("place", "stair-landing")], "temperature", "at least one"),
    (
        "climate",
        &[("place", "stair-landing"), ("humidity", "300")],
        "humidity",
        "outside",
    ),
    ("treatments", &[("treatment", "soak")], "unit", "at least one"),
    ("treatments", &[("unit", "r01")], "treatment", "what was done"),
    (
        "seedlings",
        &[("unit", "r01"), ("state", "potted")],
        "unit",
        "has germinated",
    ),
    ("notes", &[("text", "")], "text", "write the note"),
    ("notes", &[("text", "x"), ("about", "nobody")], "about", "nobody"),
    (
        "grid",
        &[
            ("rows", "2"),
            ("lid", "closed"),
            ("name-0", "k1"),
            ("seeds-0", "5"),
            ("name-1", "k1"),
            ("seeds-1", "5"),
        ],
        "name-1",
        "another row",
    ),
    (
        "grid",
        &[
            ("rows", "1"),
            ("lid", "closed"),
            ("name-0", "r01"),
            ("seeds-0", "5"),
        ],
        "name-0",
        "has this name already",
    ),
];

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_form_that_cannot_be_says_why_beside_its_field_and_keeps_what_was_typed()
 {
    let house = house_with_boxes();
    house.record(vec![crate::support::house::board_stay(
        "b1",
        "air",
        Some("boiler-shelf"),
    )]);
    // One box has a germinated seed, so that seedlings can be followed.
    crate::web_page::record(&house, vec![germinated("r24")]);
    house.clock.pass(60);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let before = n_entries(&house);
    for (page, typed, field, told) in BAD {
        let address = format!("/setup/{page}");
        // The second step of the grid has the form that writes.
        let open = if *page == "grid" {
            "/setup/grid?each=1&seeds=1&place=boiler-shelf".to_owned()
        } else {
            address.clone()
        };
        phone.open(&open).await;
        // Only what makes it a form of ours; a usual range is not taken.
        let mut fields = phone.filled(&address, typed);
        let ours = ["token", "form", "trial"];
        let n_ours = fields.len() - typed.len();
        let mut at = 0;
        fields.retain(|(name, _)| {
            at += 1;
            at > n_ours || ours.contains(&name.as_str())
        });
        let says = phone.says(&fields);
        let answer = phone.ask(&address, &says).await;
        assert_eq!(answer.status, 422, "{page} {typed:?}\n{}", answer.body);
        let beside = wrong_at(&answer.body, field);
        assert!(beside.contains(told), "{page} {field}: {beside:?}");
        for (name, value) in *typed {
            let kept = value.is_empty()
                || answer.body.contains(&format!("value=\"{value}\""))
                || answer.body.contains(&format!(">{value}<"));
            assert!(kept, "{page}: {name} lost {value}");
        }
        assert_eq!(n_entries(&house), before, "{page} {typed:?}");
    }
    daemon.stop().await;
}

fn germinated(unit: &str) -> Statement {
    Statement::Check(Check {
        unit: name(unit),
        germinated: Counted::New(1),
        mouldy_now: 0,
        removed_mould: 0,
        removed_other: 0,
        medium: String::new(),
        looked: Look::Opened,
        note: String::new(),
        by: String::new(),
    })
}

/// What is told beside a field: under its own id, or in its group.
fn wrong_at(body: &str, field: &str) -> String {
    let own = format!("id=\"set-{field}-wrong\">");
    let rest = body.split(&own).nth(1).or_else(|| {
        let group = body.split(&format!("name=\"{field}\"")).last()?;
        group.split("class=\"wrong\">").nth(1)
    });
    rest.and_then(|rest| rest.split("</p>").next()).unwrap_or("").to_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_entry_is_corrected_with_a_reason_and_its_label_stays() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let before = crate::web_page::unit(&house, "r01");
    let entry = before.entry.0;

    phone
        .open(&format!("/setup/entry/{entry}"))
        .await
        .shows("container r01")
        .shows("Correct it");
    phone.open(&format!("/setup/containers?change={entry}")).await;
    let fields = [
        ("name", "r01"),
        ("batch", "hedge-12"),
        ("seeds", "19"),
        ("lid", "vented"),
    ];
    phone
        .send("/setup/containers", &fields)
        .await
        .answers(422)
        .shows("say in a few words why it is changed");
    let with_reason = [&fields[..], &[("why", "counted again")]].concat();
    phone.send("/setup/containers", &with_reason).await.answers(200);

    let after = crate::web_page::unit(&house, "r01");
    assert_eq!((after.seeds, after.label), (19, before.label));
    assert_eq!(
        after.kind,
        vernalog::trial::unit::UnitKind::Container(Lid::Vented)
    );
    let last = house.store().ledger().unwrap().pop().unwrap();
    assert_eq!(last.draft.reason.as_deref(), Some("counted again"));
    assert_eq!(last.draft.supersedes.map(|id| id.0), Some(entry));
    // The old entry says what became of it, and cannot be corrected twice.
    phone
        .open(&format!("/setup/entry/{entry}"))
        .await
        .shows("replaced by")
        .does_not_show("Correct it");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_others_need_is_not_taken_back_before_them() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let before = n_entries(&house);
    let lot = house
        .store()
        .ledger()
        .unwrap()
        .iter()
        .find(|entry| entry.draft.statement.kind() == "lot")
        .unwrap()
        .id
        .0;

    phone.open(&format!("/setup/entry/{lot}")).await;
    phone.send("/setup/undo", &[("why", "")]).await.answers(422);
    phone
        .send("/setup/undo", &[("why", "typed twice")])
        .await
        .answers(422)
        .shows("Something written later needs this entry");
    assert_eq!(n_entries(&house), before);

    // A note needs nobody: it is written, taken back, and both stay.
    phone.open("/setup/notes").await;
    phone.send("/setup/notes", &[("text", "<script>x</script>")]).await;
    phone.page.shows("&lt;script&gt;x").does_not_show("<script>x");
    phone.send("/setup/undo", &[]).await.answers(200).shows("Taken back");
    assert_eq!(n_entries(&house), before + 2);
    assert_eq!(book(&house).trials["rowan"].notes, []);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_tap_makes_no_second_place() {
    let house = empty_house();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/setup/places").await;
    let typed = [("title", "Sill"), ("kind", "sill")];
    let says = phone.says(&phone.filled("/setup/places", &typed));
    assert_eq!(phone.ask("/setup/places", &says).await.status, 303);
    assert_eq!(phone.ask("/setup/places", &says).await.status, 303);
    assert_eq!(n_entries(&house), 1);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_that_sends_is_placed_with_one_tap_from_its_first_reading_on() {
    let mut house = with_pages();
    house.inlet.as_mut().unwrap().users_file = None;
    house.record(vec![Statement::Place {
        place: name("fridge-drawer"),
        place_kind: PlaceKind::Fridge,
        light_source: String::new(),
        title: String::new(),
    }]);
    let daemon = house.start().await;
    let mut board = Peer::welcome(daemon.inlet(), "b1").await;
    let said = sample("k3v9q0tz1x", 1, 100, 4.25);
    board.send(&publish(1, &topic("b1"), &said)).await;
    board.expect(&puback(1)).await;
    // The second one tells that the board is heard live, and dates both.
    let since = house.clock.now();
    house.clock.pass(60);
    let said = sample("k3v9q0tz1x", 2, 160, 4.25);
    board.send(&publish(2, &topic("b1"), &said)).await;
    board.expect(&puback(2)).await;
    house.clock.pass(600);

    let mut phone = Phone::new(daemon.web());
    phone
        .open("/setup/boards")
        .await
        .shows("<h3>b1")
        .shows("temperature 4.2 °C");
    let since = since.millis().to_string();
    let tap = [("place", "fridge-drawer"), ("since", &*since)];
    phone.send("/setup/boards", &tap).await.answers(200).shows("Placed");
    let placed = book(&house).house;
    assert_eq!(placed.board_stays[0].from.at.millis().to_string(), since);

    // Taken away again; then nothing speaks for the place.
    house.clock.pass(60);
    phone.send("/setup/boards", &[("place", "-")]).await.answers(200);
    assert!(book(&house).house.board_stays[0].to.is_some());
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn usual_watches_are_one_tap_and_are_dropped_with_one() {
    let mut house = house_with_boxes();
    house.inlet = None;
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone
        .open("/setup/watches")
        .await
        .shows("temperature 10 to 30 °C")
        .shows("A convention, no finding.");
    // All that is usual at the first place, then one less.
    phone.send("/setup/watches", &[]).await.answers(200);
    let watches = book(&house).house.watches;
    assert_eq!(watches.len(), 3);
    let (place, quantity, _) = watches.keys().next().unwrap().clone();
    assert_eq!(quantity, Quantity::Temperature);

    house.clock.pass(60);
    assert_eq!(place, name("boiler-shelf"));
    phone.send("/setup/unwatch", &[]).await.answers(200);
    assert_eq!(book(&house).house.watches.len(), 2);
    // The one that was dropped is offered again, alone and in one tap.
    phone.open("/setup/watches").await.shows("Usual here (1)");
    phone.page.shows("Watch this");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn corrections_of_readings_and_hand_readings_are_written_as_typed() {
    let house = house_with_boxes();
    house.record(vec![
        crate::support::house::board_stay("b1", "air", Some("boiler-shelf")),
        crate::support::house::board_stay("b2", "air", Some("boiler-shelf")),
    ]);
    house.clock.pass(7_200);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let today = {
        let utc = house.clock.now().to_string();
        utc.split('T').next().unwrap().to_owned()
    };

    phone.open("/setup/calibrations").await;
    let pair = [
        ("board", "b1/air"),
        ("quantity", "temperature"),
        ("shown", "0,4"),
        ("true", "0"),
        ("note", "ice"),
    ];
    phone.send("/setup/calibrations", &pair).await.answers(200);
    phone.open("/setup/excluded").await;
    let window = [
        ("board", "b2/air"),
        ("quantity", "humidity"),
        ("on", &*today),
        ("clock", "12:30"),
        ("reason", "salt test"),
    ];
    phone.send("/setup/excluded", &window).await.answers(200);
    phone.open("/setup/mains").await.shows("let b2/air speak for humidity");
    let main = [("probe", "b2/air")];
    phone.send("/setup/mains", &main).await.answers(200);
    phone.open("/setup/climate").await;
    let hand = [("place", "stair-landing"), ("temperature", "17,5")];
    phone.send("/setup/climate", &hand).await.answers(200);

    let house = book(&house).house;
    assert!((house.calibrations[0].offset + 0.4).abs() < 1e-12);
    assert_eq!(house.excluded[0].quantity, Some(Quantity::Humidity));
    assert!(house.excluded[0].from < house.excluded[0].until);
    assert_eq!(house.mains[0].board, name("b2"));
    let values = &house.hand_readings[0].values;
    assert_eq!(values, &[(Quantity::Temperature, 17.5)]);
    daemon.stop().await;
}
