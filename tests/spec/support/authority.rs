//! A private certificate authority and what it signs, in a folder.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use rcgen::{
    BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair,
    date_time_ymd,
};

/// Signs certificates for a test.
pub(crate) struct Authority {
    issuer: Issuer<'static, KeyPair>,
    /// Its own certificate, PEM.
    pub(crate) file: PathBuf,
    folder: PathBuf,
}

/// Certificate and key of a machine.
#[derive(Clone)]
pub(crate) struct Pair {
    pub(crate) certificate: PathBuf,
    pub(crate) key: PathBuf,
}

impl Authority {
    /// A new one; its files are called `NAME.crt`.
    pub(crate) fn new(folder: &Path, name: &str) -> Self {
        let mut params = CertificateParams::new([]).unwrap();
        params.distinguished_name.push(DnType::CommonName, name);
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let key = KeyPair::generate().unwrap();
        let file = folder.join(format!("{name}.crt"));
        let own = params.self_signed(&key).unwrap();
        fs::write(&file, own.pem()).unwrap();
        let issuer = Issuer::new(params, key);
        Self { issuer, file, folder: folder.to_owned() }
    }

    /// Signs a certificate for these names or addresses.
    pub(crate) fn signs(&self, file: &str, names: &[&str]) -> Pair {
        self.signs_for_years(file, names, (2020, 2040))
    }

    /// The same, good from one New Year's Day to another.
    pub(crate) fn signs_for_years(
        &self,
        file: &str,
        names: &[&str],
        (from, to): (i32, i32),
    ) -> Pair {
        let names = names.iter().map(|name| (*name).to_owned());
        let names: Vec<_> = names.collect();
        let mut params = CertificateParams::new(names).unwrap();
        params.not_before = date_time_ymd(from, 1, 1);
        params.not_after = date_time_ymd(to, 1, 1);
        let key = KeyPair::generate().unwrap();
        let signed = params.signed_by(&key, &self.issuer).unwrap();
        let pair = Pair {
            certificate: self.folder.join(format!("{file}.crt")),
            key: self.folder.join(format!("{file}.key")),
        };
        fs::write(&pair.certificate, signed.pem()).unwrap();
        fs::write(&pair.key, key.serialize_pem()).unwrap();
        set_mode(&pair.key, 0o640);
        pair
    }
}

pub(crate) fn set_mode(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}
