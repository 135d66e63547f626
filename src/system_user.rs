//! Which user of the system runs this program: for the audit.

/// The user by name and number, such as `maria (uid 1000)`; after sudo also who asked, such as `root (uid 0) for maria`.
///
/// The number is the kernel's. A name is looked up under it in `/etc/passwd`; where it is not there, as of users that a
/// directory server or systemd makes, the environment's `USER` is taken, which whoever runs the program can set.
pub fn current() -> String {
    let uid = uid();
    let of_environment = || ["USER", "LOGNAME"].iter().find_map(|name| plain(std::env::var(name).ok()?));
    let name = uid.and_then(name_of).or_else(of_environment).unwrap_or_else(|| "unnamed".into());
    let mut user = match uid {
        Some(uid) => format!("{name} (uid {uid})"),
        None => format!("{name} (uid not known)"),
    };
    if uid == Some(0)
        && let Some(asked) = std::env::var("SUDO_USER").ok().and_then(plain)
    {
        user.push_str(&format!(" for {asked}"));
    }
    user
}

/// Names are put into tables and logs: nothing that breaks a line, and no more than a line holds.
fn plain(name: String) -> Option<String> {
    let name: String = name.chars().filter(|c| !c.is_control()).take(60).collect();
    (!name.trim().is_empty()).then(|| name.trim().to_owned())
}

#[cfg(unix)]
fn uid() -> Option<u32> {
    std::fs::metadata("/proc/self").ok().map(|own| std::os::unix::fs::MetadataExt::uid(&own))
}

#[cfg(not(unix))]
fn uid() -> Option<u32> {
    None
}

#[expect(clippy::disallowed_methods, reason = "a small local file, read once by a command before it does anything")]
fn name_of(uid: u32) -> Option<String> {
    name_in(&std::fs::read_to_string("/etc/passwd").ok()?, uid)
}

/// passwd(5): `name:password:uid:…`.
fn name_in(passwd: &str, uid: u32) -> Option<String> {
    passwd.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, _, number) = (fields.next()?, fields.next()?, fields.next()?);
        (number.parse() == Ok(uid)).then(|| plain(name.to_owned()))?
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_found_under_its_number() {
        let passwd = "root:x:0:0:root:/root:/bin/sh\nbell:x:998:998::/var/lib/bell:/bin/false\nbroken\n";
        assert_eq!(name_in(passwd, 998).as_deref(), Some("bell"));
        assert_eq!(name_in(passwd, 0).as_deref(), Some("root"));
        assert_eq!(name_in(passwd, 99), None);
    }

    #[test]
    fn a_user_is_told_on_one_line() {
        let user = current();
        assert!(user.contains("(uid ") && !user.contains('\n'), "{user}");
        assert_eq!(plain("a\nb".into()).as_deref(), Some("ab"));
        assert_eq!(plain(" \n".into()), None);
    }
}
