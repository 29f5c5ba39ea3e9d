//! Figures: sound XML whatever goes in, colours that can be read, nothing
//! cut off, small files. Every figure is also written to `target/figures/`
//! for looking at. Numbers are invented.

#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

mod apart;
mod compared;
mod hostile;
mod invented;
mod readable;

use std::fs;
use std::path::Path;

use vernalog::chart::{Layout, colour};

/// Every figure of the gallery: name and SVG.
fn gallery() -> Vec<(String, String)> {
    let mut all = Vec::new();
    for layout in [Layout::Wide, Layout::Narrow] {
        let size = match layout {
            Layout::Wide => "wide",
            Layout::Narrow => "narrow",
        };
        for n in [3, 4, 8, 12, 48, 60] {
            let figure = invented::place(n);
            let svg = vernalog::chart::place::draw(&figure, layout);
            all.push((format!("place-{n}-{size}"), svg));
        }
        for (n, doses) in [(3, 1), (12, 2), (16, 3), (48, 4), (60, 2)] {
            let figure = invented::conditions(n, doses);
            let svg = vernalog::chart::conditions::draw(&figure, layout);
            all.push((format!("conditions-{n}-{size}"), svg));
        }
        for n in [3, 60] {
            let figure = compared::speed(n);
            let svg = vernalog::chart::conditions::draw(&figure, layout);
            all.push((format!("speed-{n}-{size}"), svg));
        }
        for n in [1, 3, 8] {
            let figure = compared::collapse(n);
            let svg = vernalog::chart::collapse::draw(&figure, layout);
            all.push((format!("collapse-{n}-{size}"), svg));
            let figure = compared::spread(n);
            let svg = vernalog::chart::spread::draw(&figure, layout);
            all.push((format!("spread-{n}-{size}"), svg));
        }
        for (n, places) in [(3, 1), (12, 3), (48, 2), (60, 4)] {
            let figure = invented::chill(n, places);
            let svg = vernalog::chart::chill::draw(&figure, layout);
            all.push((format!("chill-{n}-{size}"), svg));
        }
        for n in [3, 12, 48, 60] {
            let figure = invented::fridge(n);
            let svg = vernalog::chart::fridge::draw(&figure, layout);
            all.push((format!("fridge-{n}-{size}"), svg));
        }
    }
    all
}

/// The drawing as the dark theme shows it.
fn dark(svg: &str) -> String {
    colour::ALL.iter().fold(svg.to_owned(), |svg, colour| {
        svg.replace(&colour.light_hex(), &colour.dark_hex())
    })
}

#[test]
fn the_gallery_is_written_for_looking_at() {
    let folder =
        Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("figures");
    fs::create_dir_all(&folder).unwrap();
    for (name, svg) in gallery() {
        roxmltree::Document::parse(&svg).unwrap();
        assert!(svg.len() < 200_000, "{name}: {} bytes", svg.len());
        fs::write(folder.join(format!("{name}.svg")), &svg).unwrap();
        let dark = dark(&svg);
        fs::write(folder.join(format!("{name}-dark.svg")), dark).unwrap();
    }
}
