//! `init --system`, and the same files in the package.

use std::fs;
use std::path::Path;
use std::process::Command;

use super::names;
use crate::support::home::Home;

const UNIT: &str = "root/etc/systemd/system/vernalog.service";

#[test]
fn a_dry_run_prints_the_files_and_writes_nothing() {
    let home = Home::empty();

    home.run("init --system --root root --dry-run --time-zone Europe/Dublin")
        .succeeds()
        .answers("    Type=notify")
        .answers("    ProtectSystem=strict")
        .answers("    u vernalog - ")
        .answers("    d /var/lib/vernalog 2770 vernalog vernalog -")
        .answers("    systemctl enable --now vernalog");

    assert_eq!(names(home.path()), [""; 0]);
    home.run("init --dry-run").fails().tells("--system");
    home.run("init --system --data x.db").fails().tells("its own places");
}

#[test]
fn the_files_are_written_once_and_those_of_others_are_kept() {
    let home = Home::empty();
    let init = "init --system --root root --time-zone Europe/Dublin";
    home.run(init).succeeds().answers("vernalog.service: new");
    let settings = home.read("root/etc/vernalog/vernalog.toml");
    assert!(settings.contains("data = \"/var/lib/vernalog/vernalog.db\""));

    home.run(init)
        .succeeds()
        .answers("vernalog.toml: was there already, kept")
        .answers("vernalog.service: the same already");
    let section = "[backup]\nfolder = \"/srv/copies\"\n";
    home.write(
        "root/etc/vernalog/vernalog.toml",
        &format!("{settings}{section}"),
    );
    home.run(init).succeeds().answers("vernalog.service: replaced");
    assert!(home.read(UNIT).contains("ReadWritePaths=-/srv/copies"));

    home.write(UNIT, "[Unit]\nDescription=mine\n");
    home.run(init).fails().tells("it was not written by vernalog");
    assert!(home.read(UNIT).contains("Description=mine"));
}

/// Where systemd is, it reads the unit itself.
#[test]
fn the_unit_is_understood_by_systemd() {
    let home = Home::empty();
    home.run("init --system --root root --time-zone Europe/Dublin").succeeds();
    let verify = Command::new("systemd-analyze")
        .args(["verify", "--man=no"])
        .arg(home.path().join(UNIT))
        .output();
    let Ok(verify) = verify else {
        // Without it the text alone is looked at, by the other tests.
        return;
    };
    let told = String::from_utf8_lossy(&verify.stderr).into_owned();
    let ours: Vec<&str> =
        told.lines().filter(|line| line.contains("vernalog")).collect();
    assert!(ours.is_empty(), "{ours:#?}");
}

/// The package takes the unit, user and folder from where the program does.
#[test]
fn every_file_of_the_package_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let manifest = fs::read_to_string(root.join("Cargo.toml")).unwrap();
    let manifest: toml::Value = toml::from_str(&manifest).unwrap();
    let deb = &manifest["package"]["metadata"]["deb"];
    let assets = deb["assets"].as_array().unwrap();
    for asset in assets {
        let from = asset[0].as_str().unwrap();
        let built = from.starts_with("target/");
        assert!(built || root.join(from).exists(), "{from}");
    }
    let scripts = root.join(deb["maintainer-scripts"].as_str().unwrap());
    assert!(scripts.join("postinst").exists());
}
