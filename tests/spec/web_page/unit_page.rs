//! A unit's page: seeds moved out of it, what was done to it, and counting
//! without knowing what it is.

use vernalog::trial::book::Book;

use crate::support::house::{House, name};
use crate::support::phone::Phone;
use crate::web_page::{at, gets, house_with_boxes, n_entries, unit};

fn trial(house: &House) -> vernalog::trial::book::Trial {
    let (book, problems) = Book::build(&house.store().ledger().unwrap());
    assert_eq!(problems, []);
    book.trials["rowan"].clone()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sound_seeds_are_rescued_into_a_new_box_and_the_tap_can_be_undone() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let transfer = format!("{r01}/transfer");
    phone.open(&r01).await;
    let before = n_entries(&house);
    phone
        .send(
            &transfer,
            &[("seeds", "21"), ("into", "container"), ("lid", "closed")],
        )
        .await
        .answers(422)
        .shows("21 are more than the 20 seeds left here");
    phone
        .send(&transfer, &[("seeds", "5"), ("into", "there"), ("other", "r1")])
        .await
        .answers(422)
        .shows("is called “r1”");
    assert_eq!(n_entries(&house), before);
    phone
        .send(
            &transfer,
            &[
                ("seeds", "12"),
                ("into", "container"),
                ("lid", "vented"),
                ("place", "stair-landing"),
                ("position", "tray 2"),
            ],
        )
        .await
        .answers(200)
        .shows("<strong>c01</strong>: container begun with 12 seeds.");
    let made = unit(&house, "c01");
    assert_eq!((made.left(), unit(&house, "r01").left()), (12, 8));
    assert_eq!(made.source, Some(name("r01")));
    assert_eq!(made.stays[0].position, "tray 2");
    // What they lived through goes with them.
    assert_eq!(trial(&house).lot_of(&made), Some(&name("hedge")));

    let undo = format!("{}/undo", at(&house, "c01"));
    phone.send(&undo, &[]).await.answers(200).shows("<h1>r01</h1>");
    assert_eq!(unit(&house, "r01").left(), 20);
    assert!(!trial(&house).units.contains_key("c01"));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_portion_goes_into_a_box_that_is_there_and_both_pages_tell_it() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let (r01, r02) = (at(&house, "r01"), at(&house, "r02"));
    let label = r02.trim_start_matches("/u/").to_lowercase();
    phone.open(&r01).await;
    phone
        .send(
            &format!("{r01}/transfer"),
            &[("seeds", "4"), ("into", "there"), ("other", &label)],
        )
        .await
        .shows("4 seeds moved to r02. Recorded.");
    phone
        .open(&r02)
        .await
        .shows("4 from r01")
        .shows("<strong>0 of 24</strong>");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_treatment_a_note_and_a_seedling_are_kept_with_the_box() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let to = |what: &str| format!("{r01}/{what}");
    phone.open(&r01).await.does_not_show("Record the seedling");
    phone
        .send(&to("treat"), &[("amount", "24 h")])
        .await
        .answers(422)
        .shows("say what was done")
        .shows("value=\"24 h\"");
    phone
        .send(&to("treat"), &[("treatment", "soak"), ("amount", "24 h")])
        .await
        .shows("soak 24 h. Recorded.");
    phone.send(&to("note"), &[("text", "")]).await.answers(422);
    phone.send(&to("note"), &[("text", "lid cracked")]).await;
    phone.page.shows("note: lid cracked. Recorded.");
    house.clock.pass(60);
    phone
        .send(
            &to("count"),
            &[("do", "count"), ("new", "1"), ("looked", "opened")],
        )
        .await
        .shows("Record the seedling");
    phone.send(&to("seedling"), &[]).await.answers(422);
    phone
        .send(&to("seedling"), &[("state", "potted")])
        .await
        .shows("seedling r01-s1: potted. Recorded.");

    let trial = trial(&house);
    assert_eq!(trial.units["r01"].treatments[0].amount, "24 h");
    assert_eq!(trial.notes[0].2, "lid cracked");
    assert_eq!(trial.seedlings[0].0, name("r01-s1"));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn counting_blind_hides_names_and_treatments_and_the_count_says_so() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let label = r01.trim_start_matches("/u/");

    phone.open(&r01).await.shows("hedge-12").shows("lot hedge");
    phone.open("/round").await;
    phone.send("/blind", &[]).await.shows("Counting blind: names");
    phone.page.does_not_show(">r01<").shows(label);
    phone
        .open(&r01)
        .await
        .shows(&format!("<h1>{label}</h1>"))
        .does_not_show("hedge")
        .does_not_show("r01")
        .does_not_show("r02");
    phone
        .send(
            &format!("{r01}/count"),
            &[("do", "zero-through-lid"), ("note", "dew")],
        )
        .await
        .does_not_show("hedge");
    assert_eq!(unit(&house, "r01").looks[0].note, "dew · counted blind");
    // What was done and what stands beside it would tell, and so would words
    // of the ledger's rules.
    phone.send(&format!("{r01}/note"), &[("text", "hedge-12 again")]).await;
    phone.page.shows("note. Recorded.").does_not_show("hedge");
    let soaked = [("treatment", "soak"), ("amount", "24 h")];
    phone.send(&format!("{r01}/treat"), &soaked).await;
    phone.page.shows("treatment. Recorded.").does_not_show("24 h");
    let too_many = [("do", "count"), ("new", "99"), ("looked", "opened")];
    phone.send(&format!("{r01}/count"), &too_many).await.answers(422);
    phone.page.shows(&format!("left in {label}")).does_not_show("r01");

    // Every page: it hides what is to be hidden, or it is shut.
    for page in gets(&house) {
        // The stream never ends; the style sheet has no names.
        if page == "/live" {
            continue;
        }
        let seen = phone.open(&page).await;
        seen.does_not_show("hedge").does_not_show("r01");
    }
    phone.open("/setup/ledger").await.shows("Hidden while counting blind");
    phone.open("/place/stair-landing").await.shows(label);
    phone.open("/tally?all=1").await.shows(label).does_not_show("r01");
    phone.open("/find?unit=r99").await.answers(404);
    phone.open("/find?unit=").await.shows("Today’s round");

    phone.open("/round").await;
    phone.send("/blind", &[]).await.does_not_show("Counting blind: names");
    phone.open(&r01).await.shows("lot hedge");
    daemon.stop().await;
}
