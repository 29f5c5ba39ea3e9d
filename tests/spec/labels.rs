//! Labels: a code that another program reads, letters that forgive no slip,
//! and a warning where an address will not last.

use rqrr::PreparedImage;
use vernalog::labels::Tag;
use vernalog::labels::sheet::{Grid, GridError, sheets};
use vernalog::trial::label::Label;

use crate::support::home::Home;
use crate::support::phone::Phone;
use crate::web_page::{house_with_boxes, unit};

const GRID: Grid =
    Grid { rows: 8, columns: 3, margin: 0.0, cut: false, skip: 0 };

fn tag(address: &str) -> Tag {
    Tag {
        label: "BCDEFG".to_owned(),
        name: "hedge-12-r01".to_owned(),
        lines: vec!["lot hedge".to_owned(), "chill_weeks 12".to_owned()],
        address: Some(address.to_owned()),
    }
}

/// Pixels for each millimetre, as a phone's camera would see it.
const PIXELS_A_MM: f64 = 20.0;
/// Light squares around a code, ISO/IEC 18004.
const QUIET: f64 = 4.0;

/// Reads every code of a sheet, one after the other as a phone does, with
/// `rqrr`: a decoder that shares no line with the crate that coded them
/// (<https://docs.rs/rqrr>).
fn decoded(svg: &str) -> Vec<String> {
    let document = roxmltree::Document::parse(svg).unwrap();
    document
        .descendants()
        .filter(|node| node.attribute("class") == Some("code"))
        .map(|code| {
            let scale = numbers(code.attribute("transform"))[2];
            let runs: Vec<Vec<f64>> = code
                .attribute("d")
                .unwrap()
                .split('M')
                .skip(1)
                .map(|run| numbers(Some(run)))
                .collect();
            one_code(&runs, scale)
        })
        .collect()
}

fn one_code(runs: &[Vec<f64>], scale: f64) -> String {
    #[allow(clippy::cast_possible_truncation, reason = "a few hundred pixels")]
    let at = |squares: f64| (squares * scale * PIXELS_A_MM).round() as usize;
    let last = runs.iter().map(|run| run[1]).fold(0.0, f64::max);
    let side = at(last + 1.0 + QUIET);
    let mut dark = vec![false; side * side];
    for run in runs {
        let (x, y, n) = (run[0], run[1], run[2]);
        for row in at(y)..at(y + 1.0) {
            dark[row * side + at(x)..row * side + at(x + n)].fill(true);
        }
    }
    let mut image =
        PreparedImage::prepare_from_greyscale(side, side, |x, y| {
            if dark[y * side + x] { 0 } else { 255 }
        });
    let grids = image.detect_grids();
    assert_eq!(grids.len(), 1, "a code of {scale} mm a square is found");
    grids[0].decode().unwrap().1
}

/// The numbers in a text, in order.
fn numbers(text: Option<&str>) -> Vec<f64> {
    text.unwrap()
        .split(|c: char| !(c.is_ascii_digit() || c == '.'))
        .filter(|part| !part.is_empty())
        .map(|part| part.parse().unwrap())
        .collect()
}

#[test]
fn a_code_leads_to_the_address_of_its_unit() {
    let addresses = [
        "http://seedbox.local:8420/u/BCDEFG",
        "https://seeds.of-a-long-name.example.org/u/ZYXWVU",
        "http://[fd00::1]:8420/u/NNDGSD",
    ];
    let tags: Vec<Tag> = addresses.iter().map(|a| tag(a)).collect();
    for grid in [
        GRID,
        Grid { rows: 4, columns: 2, margin: 10.0, cut: true, skip: 3 },
        Grid { rows: 10, columns: 5, ..GRID },
    ] {
        let sheets = sheets(&tags, &grid).unwrap();
        assert_eq!(decoded(&sheets[0]), addresses, "{grid:?}");
    }
}

#[test]
fn a_sheet_that_a_phone_could_not_read_is_refused_with_what_would_do() {
    let fine = Grid { rows: 20, columns: 6, ..GRID };
    let error = sheets(&[tag(&"x".repeat(400))], &fine).unwrap_err();
    assert!(matches!(error, GridError::Fine { .. }), "{error}");
    assert!(error.to_string().contains("fewer rows"), "{error}");
    assert!(sheets(&[], &Grid { rows: 0, ..GRID }).is_err());
    assert!(sheets(&[], &Grid { skip: 24, ..GRID }).is_err());
    assert!(sheets(&[], &Grid { margin: f64::NAN, ..GRID }).is_err());
}

#[test]
fn labels_go_on_where_a_used_sheet_ends_and_over_several_sheets() {
    let tags = vec![tag("http://seedbox.local:8420/u/BCDEFG"); 30];
    let sheets = sheets(&tags, &Grid { skip: 20, ..GRID }).unwrap();
    let n = |svg: &String| svg.matches("class=\"code\"").count();
    assert_eq!(sheets.iter().map(n).collect::<Vec<_>>(), [4, 24, 2]);
}

#[test]
fn words_of_a_label_stay_within_it_and_cannot_break_the_sheet() {
    let mut tag = tag("http://seedbox.local:8420/u/BCDEFG");
    tag.name = "n".repeat(40);
    tag.lines = vec!["<script>&".repeat(30), "\u{202e}x\u{1b}".to_owned()];
    let sheets = sheets(&[tag], &GRID).unwrap();
    let document = roxmltree::Document::parse(&sheets[0]).unwrap();
    let texts: Vec<_> = document
        .descendants()
        .filter(|node| node.has_tag_name("text"))
        .collect();
    assert!(texts.len() >= 3, "{}", sheets[0]);
    for text in texts {
        let y: f64 = text.attribute("y").unwrap().parse().unwrap();
        assert!(y < 297.0 / 8.0, "{y}");
    }
}

/// What the check letter catches: every single wrong letter, every swap of
/// two neighbours, and every swap of two letters further apart; not every
/// pair of wrong letters (1 of 23 passes). Tried on all positions of labels
/// spread over the whole supply.
#[test]
fn the_check_letter_catches_every_wrong_letter_and_every_swap() {
    const LETTERS: &[u8] = b"ABCDEFGHJKMNPQRSTUVWXYZ";
    let reads =
        |text: &[u8]| Label::parse(std::str::from_utf8(text).unwrap()).is_ok();
    let (mut wrong_letters, mut swaps) = (0, 0);
    for n in (0..6_436_343).step_by(6_431) {
        let right = Label::nth(n).to_string().into_bytes();
        for i in 0..right.len() {
            for letter in LETTERS.iter().filter(|l| **l != right[i]) {
                let mut wrong = right.clone();
                wrong[i] = *letter;
                assert!(!reads(&wrong), "{wrong:?}");
                wrong_letters += 1;
            }
            for j in 0..i {
                let mut swapped = right.clone();
                swapped.swap(i, j);
                assert_eq!(reads(&swapped), right[i] == right[j]);
                swaps += 1;
            }
        }
    }
    assert_eq!((wrong_letters, swaps), (132_132, 15_015));
}

#[test]
fn the_command_writes_a_page_or_drawings_and_warns_of_a_bare_number() {
    let home = Home::new();
    home.run("record trial rowan").succeeds();
    home.run("record place sill --kind sill").succeeds();
    home.run("record container r01 --seeds 20 --factor medium=sand").succeeds();
    let told = home.run("labels --out labels.svg").succeeds().stderr();
    assert!(told.contains("no base_url"), "{told}");
    assert!(!home.read("labels.svg").contains("class=\"code\""));

    let settings = home.read("vernalog.toml");
    for (base, warned) in [
        ("http://192.168.1.20:8420", true),
        ("http://seedbox.local:8420", false),
    ] {
        let web = format!("{settings}\n[web]\nbase_url = \"{base}\"\n");
        home.write("vernalog.toml", &web);
        let told = home.run("labels --cut --grid 6x2").succeeds().stderr();
        assert_eq!(told.contains("bare number"), warned, "{told}");
    }
    let page = home.read("labels.html");
    assert!(page.contains(">sown 2"), "the date is there: {page}");
    assert!(page.contains("medium sand"), "{page}");
    let svg = page.split("<svg").nth(1).unwrap().split("</svg>").next();
    let svg = format!("<svg{}</svg>", svg.unwrap());
    let read = decoded(&svg);
    assert_eq!(read.len(), 1);
    assert!(read[0].starts_with("http://seedbox.local:8420/u/"), "{read:?}");

    home.run("labels --unit nobody").fails();
    home.run("labels --grid 0x3").fails();
    home.run("labels --grid many").fails();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_shows_the_same_labels_and_the_same_warning() {
    let mut house = house_with_boxes();
    let base = "http://seedbox.local:8420".to_owned();
    house.web.as_mut().unwrap().settings.base_url = Some(base);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/labels").await.answers(200);
    phone.page.does_not_show("bare number");
    let body = phone.page.body.clone();
    let svg = body.split("<svg").nth(1).unwrap().split("</svg>").next();
    let read = decoded(&format!("<svg{}</svg>", svg.unwrap()));
    // 25 units are open: the batch has no seed left, but is not closed.
    assert_eq!(read.len(), 24);
    let label = unit(&house, "r01").label.unwrap();
    assert!(read.contains(&format!("http://seedbox.local:8420/u/{label}")));
    // A label holds no secret of the session.
    let token = body.split("name=\"token\"").count();
    assert_eq!(token, 1, "no form here writes");
    phone
        .open("/labels?some=1&unit=r01&rows=99&columns=3")
        .await
        .shows("1 to 20 rows");
    phone
        .open("/labels?some=1&unit=r01&rows=x")
        .await
        .shows("type a whole number");
    daemon.stop().await;

    house.web.as_mut().unwrap().settings.base_url = None;
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/labels").await.shows("There is no base_url");
    daemon.stop().await;
}
