//! The messages that went, as the folder holds them: for the desk's pages.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use mailparse::{MailHeaderMap, ParsedMail};
use serde::Deserialize;

use crate::files;
use crate::people::Channel;
use crate::service::practice::{Message, Went};

/// A season has a few thousand messages of a line each, and no mail with its chart comes near.
const LARGEST: u64 = 32 << 20;

/// A line of the folder's index.
#[derive(Deserialize)]
struct Line {
    sent_at: DateTime<Utc>,
    channel: String,
    says: String,
    file: String,
}

/// Alike messages together, those that went last first; at most `limit` groups. None where nothing has gone yet.
///
/// # Errors
/// When the index cannot be read.
pub(super) async fn groups(folder: &Path, limit: usize) -> io::Result<Vec<Went>> {
    let folder = folder.to_owned();
    let read = tokio::task::spawn_blocking(move || read_groups(&folder, limit));
    read.await.unwrap_or_else(|why| Err(io::Error::other(why)))
}

fn read_groups(folder: &Path, limit: usize) -> io::Result<Vec<Went>> {
    let text = match files::read_text(&folder.join("index.csv"), LARGEST) {
        Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        text => text?,
    };
    let mut groups: BTreeMap<(String, String), Went> = BTreeMap::new();
    for line in csv::Reader::from_reader(text.as_bytes()).into_deserialize::<Line>() {
        let Line { sent_at, channel, says, file } = line.map_err(io::Error::other)?;
        let went = Went {
            channel: if channel == Channel::Sms.name() { Channel::Sms } else { Channel::Email },
            says: says.clone(),
            count: 0,
            first_at: sent_at,
            last_at: sent_at,
            file,
        };
        let group = groups.entry((channel, says)).or_insert(went);
        group.count += 1;
        group.first_at = group.first_at.min(sent_at);
        group.last_at = group.last_at.max(sent_at);
    }
    let mut groups: Vec<Went> = groups.into_values().collect();
    groups.sort_by(|a, b| (b.last_at, &a.says).cmp(&(a.last_at, &b.says)));
    groups.truncate(limit);
    Ok(groups)
}

/// One message; `None` for a name that leads to none.
///
/// # Errors
/// When the file cannot be read.
pub(super) async fn message(folder: &Path, file: &str) -> io::Result<Option<Message>> {
    let Some((path, channel)) = path_of(folder, file) else { return Ok(None) };
    let read = tokio::task::spawn_blocking(move || files::read(&path, LARGEST));
    let bytes = match read.await.unwrap_or_else(|why| Err(io::Error::other(why))) {
        Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(None),
        bytes => bytes?,
    };
    match channel {
        Channel::Sms => Ok(Some(text_message(&String::from_utf8_lossy(&bytes)))),
        Channel::Email => e_mail(&bytes).map(Some).map_err(io::Error::other),
    }
}

/// Only names that the folder gives lead to a file.
fn path_of(folder: &Path, file: &str) -> Option<(PathBuf, Channel)> {
    let (name, ending) = file.rsplit_once('.')?;
    let channel = match ending {
        "txt" => Channel::Sms,
        "eml" => Channel::Email,
        _ => return None,
    };
    let is_ours =
        (1..=200).contains(&name.len()) && name.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_'));
    is_ours.then(|| (folder.join(file), channel))
}

/// `To: NUMBER`, an empty line, the text.
fn text_message(file: &str) -> Message {
    let (head, text) = file.split_once("\n\n").unwrap_or(("", file));
    let to = head.strip_prefix("To: ").unwrap_or_default().to_owned();
    Message { channel: Channel::Sms, to, subject: None, text: text.trim_end().to_owned(), attached: Vec::new() }
}

fn e_mail(raw: &[u8]) -> Result<Message, mailparse::MailParseError> {
    let mail = mailparse::parse_mail(raw)?;
    let mut found = Message {
        channel: Channel::Email,
        to: mail.headers.get_first_value("To").unwrap_or_default(),
        subject: mail.headers.get_first_value("Subject"),
        text: String::new(),
        attached: Vec::new(),
    };
    gather(&mail, &mut found)?;
    Ok(found)
}

fn gather(part: &ParsedMail<'_>, into: &mut Message) -> Result<(), mailparse::MailParseError> {
    match part.ctype.mimetype.as_str() {
        "text/plain" if into.text.is_empty() => into.text = part.get_body()?.replace('\r', ""),
        "text/calendar" => into.attached.push("a calendar entry".to_owned()),
        "image/png" => into.attached.push("the chart of the season".to_owned()),
        _ => {}
    }
    part.subparts.iter().try_for_each(|part| gather(part, into))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_the_folder_lead_to_a_file() {
        let folder = Path::new("messages");
        assert_eq!(path_of(folder, "d-1_a.txt"), Some((folder.join("d-1_a.txt"), Channel::Sms)));
        assert_eq!(path_of(folder, "d-1.eml"), Some((folder.join("d-1.eml"), Channel::Email)));
        for wrong in ["", ".txt", "../treebell.sqlite", "../desk-key.txt", "a/b.txt", "index.csv", "a.b.txt"] {
            assert_eq!(path_of(folder, wrong), None, "{wrong}");
        }
    }

    #[test]
    fn alike_messages_stand_together_and_the_newest_first() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(read_groups(folder.path(), 10).unwrap(), []);
        let index = "sent_at,channel,to,says,file,key\n\
             2025-03-01T15:00:00Z,sms,+15055550100,Look now,a.txt,a\n\
             2025-03-02T15:00:00Z,email,p1@example.org,\"Wash, now\",b.eml,b\n\
             2025-03-01T15:01:00Z,sms,+15055550101,Look now,c.txt,c\n";
        std::fs::write(folder.path().join("index.csv"), index).unwrap();
        let groups = read_groups(folder.path(), 10).unwrap();
        let told: Vec<_> = groups.iter().map(|went| (went.says.as_str(), went.count, went.file.as_str())).collect();
        assert_eq!(told, [("Wash, now", 1, "b.eml"), ("Look now", 2, "a.txt")]);
        assert_eq!(read_groups(folder.path(), 1).unwrap().len(), 1);
    }
}
