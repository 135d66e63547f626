//! Files with secrets or people in them that every user of this machine can read.

use std::path::{Path, PathBuf};

use crate::config::{Config, ConfigFault, Secret};
use crate::secret::is_open_to_others;

impl Config {
    /// Every such file and folder, with its setting and the mend. Not a fault that stops anything: the rights may be meant, and
    /// a service that stays away for them helps nobody.
    pub fn files_open_to_others(&self) -> Vec<ConfigFault> {
        let mut files: Vec<(String, PathBuf)> = Vec::new();
        let dkim = self.email.dkim.as_ref().and_then(|dkim| dkim.key.as_ref());
        let smpp = self.sms.smpp.as_ref().and_then(|smpp| smpp.password.as_ref());
        for (place, secret) in [
            ("store.address_secret", self.store.address_secret.as_ref()),
            ("email.password", self.email.password.as_ref()),
            ("email.dkim.key", dkim),
            ("sms.secret", self.sms.secret.as_ref()),
            ("sms.smpp.password", smpp),
            ("hooks.path", self.hooks.path.as_ref()),
            ("hooks.bounce_secret", self.hooks.bounce_secret.as_ref()),
            ("alarms.ping", self.alarms.ping.as_ref()),
        ]
        .into_iter()
        .chain(self.hooks.secrets.iter().map(|secret| ("hooks.secrets", Some(secret))))
        .chain(self.keys.addresses.iter().map(|secret| ("keys.addresses", Some(secret))))
        .chain(self.keys.links.iter().map(|secret| ("keys.links", Some(secret))))
        .chain(self.desk.keys.iter().map(|secret| ("desk.keys", Some(secret))))
        {
            if let Some(Secret::File(file)) = secret {
                files.push((place.to_owned(), file.clone()));
            }
        }
        if let Some(path) = self.store.address.strip_prefix("sqlite:") {
            let path = path.strip_prefix("//").unwrap_or(path);
            for end in ["", "-wal", "-shm", ".answers", ".lock"] {
                files.push(("store.address".to_owned(), PathBuf::from(format!("{path}{end}"))));
            }
        }
        for (place, folder) in [("email.folder", &self.email.folder), ("sms.folder", &self.sms.folder)] {
            if let Some(folder) = folder {
                files.push((place.to_owned(), folder.clone()));
                files.push((place.to_owned(), folder.join("index.csv")));
            }
        }
        files.extend(self.desk.photographs.iter().map(|folder| ("desk.photographs".to_owned(), folder.clone())));
        let told = |(place, file): &(String, PathBuf)| is_open_to_others(file).then(|| fault(place, file));
        files.iter().filter_map(told).collect()
    }
}

fn fault(place: &str, file: &Path) -> ConfigFault {
    let name = file.display();
    ConfigFault::new(
        place,
        format!("`{name}` can be read or changed by every user of this machine: chmod o-rwx '{name}'"),
    )
}

#[cfg(all(test, unix))]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn what_others_can_read_is_named_with_its_setting_and_the_mend() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        let put = |name: &str, mode: u32| {
            std::fs::write(path(name), "x").unwrap();
            std::fs::set_permissions(path(name), std::fs::Permissions::from_mode(mode)).unwrap();
        };
        put("t.sqlite", 0o600);
        put("t.sqlite.lock", 0o644);
        put("password", 0o640);
        put("hook", 0o604);
        for name in ["address-key", "link-key", "ping"] {
            put(name, 0o644);
        }
        let text = format!(
            "[store]\naddress = \"sqlite:{0}/t.sqlite\"\n[sms]\nsecret = {{ file = \"{0}/password\" }}\n\
             [hooks]\npath = {{ file = \"{0}/hook\" }}\nsecrets = [{{ file = \"{0}/none\" }}]\n\
             [keys]\naddresses = [{{ file = \"{0}/address-key\" }}]\nlinks = [{{ file = \"{0}/link-key\" }}]\n\
             [alarms]\nping = {{ file = \"{0}/ping\" }}\n",
            folder.path().display()
        );
        let told: Vec<String> =
            Config::parse(&text).unwrap().files_open_to_others().iter().map(ToString::to_string).collect();
        let places: Vec<&str> = told.iter().filter_map(|told| told.split(": ").next()).collect();
        assert_eq!(places, ["hooks.path", "alarms.ping", "keys.addresses", "keys.links", "store.address"], "{told:#?}");
        assert!(told[0].contains("chmod o-rwx") && told[4].contains("t.sqlite.lock"), "{told:#?}");
    }
}
