//! Every message as a file, with an index that a spreadsheet opens: for demo, dry runs and tests.

#![expect(
    clippy::disallowed_methods,
    reason = "`send` writes on a thread for blocking work; the rest runs before and after it"
)]

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use async_trait::async_trait;

use crate::dispatch::channels::mail::MailWriter;
use crate::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use crate::message::Message;
use crate::text::Chain;

/// Writes `KEY.eml` or `KEY.txt` and one line of `index.csv` for each message. The same message twice is one file and one
/// line: nothing in the names depends on time.
#[derive(Clone)]
pub struct FolderTransport {
    inner: Arc<Inner>,
}

struct Inner {
    folder: PathBuf,
    mail: MailWriter,
    /// One writer at a time keeps the index in whole lines.
    index: Mutex<()>,
}

const INDEX: &str = "index.csv";
const HEADINGS: [&str; 6] = ["sent_at", "channel", "to", "says", "file", "key"];

impl FolderTransport {
    /// Creates the folder if it is missing.
    ///
    /// # Errors
    /// When it cannot be created or written to.
    pub fn open(folder: &Path, mail: MailWriter) -> io::Result<Self> {
        let mut builder = DirBuilder::new();
        builder.recursive(true);
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(folder)?;
        Ok(Self { inner: Arc::new(Inner { folder: folder.to_owned(), mail, index: Mutex::new(()) }) })
    }

    /// Puts the lines of the index in the order of their times, channels and addressees: what leaves at the same time is
    /// listed as it happens to come, and would be in another order the next time.
    ///
    /// # Errors
    /// When the index cannot be read or written.
    pub fn sort_index(&self) -> io::Result<()> {
        let _one_writer = self.inner.index.lock().unwrap_or_else(PoisonError::into_inner);
        let path = self.inner.folder.join(INDEX);
        let text = match fs::read_to_string(&path) {
            Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(()),
            text => text?,
        };
        // A record is one line: line ends inside of a cell were made blanks.
        let (headings, lines) = text.split_once('\n').unwrap_or((&text, ""));
        let mut lines: Vec<&str> = lines.lines().collect();
        lines.sort_unstable();
        let sorted: String = std::iter::once(headings).chain(lines).flat_map(|line| [line, "\n"]).collect();
        let part = self.inner.folder.join(format!(".{INDEX}.part"));
        private(OpenOptions::new().create(true).truncate(true).write(true))
            .open(&part)?
            .write_all(sorted.as_bytes())?;
        fs::rename(part, path)
    }
}

#[async_trait]
impl Transport for FolderTransport {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        let (inner, outgoing) = (self.inner.clone(), outgoing.clone());
        tokio::task::spawn_blocking(move || inner.write(&outgoing))
            .await
            .unwrap_or_else(|why| Err(SendFailure::Uncertain { cause: why.to_string() }))
    }
}

impl Inner {
    fn write(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        let (channel, ending, says, bytes) = match &outgoing.message {
            Message::Email { subject, .. } => {
                let mail =
                    self.mail.write(outgoing).map_err(|why| SendFailure::GiveUp { cause: Chain(&why).to_string() })?;
                ("email", "eml", subject, mail.raw)
            }
            Message::Sms { text } => ("sms", "txt", text, format!("To: {}\n\n{text}\n", outgoing.to).into_bytes()),
        };
        let file = format!("{}.{ending}", safe_name(&outgoing.key));
        let line =
            [&outgoing.at.format("%Y-%m-%dT%H:%M:%SZ").to_string(), channel, &outgoing.to, says, &file, &outgoing.key];
        // A disk that is full passes, and nothing half-written is ever seen under the message's name.
        self.put(&file, &bytes, &line).map_err(|why| SendFailure::ChannelDown {
            after: None,
            cause: format!("folder `{}`: {why}", self.folder.display()),
        })?;
        Ok(Receipt { provider_ref: Some(file) })
    }

    fn put(&self, file: &str, bytes: &[u8], line: &[&str]) -> io::Result<()> {
        let _one_writer = self.index.lock().unwrap_or_else(PoisonError::into_inner);
        let path = self.folder.join(file);
        // A second copy may meet a file whose index line a crash prevented; only then is the index read.
        let listed = path.exists() && self.is_listed(file)?;
        let part = self.folder.join(format!(".{file}.part"));
        let mut part_file = private(OpenOptions::new().create(true).truncate(true).write(true)).open(&part)?;
        part_file.write_all(bytes)?;
        part_file.sync_all()?;
        fs::rename(&part, &path)?;
        if listed { Ok(()) } else { self.list(line) }
    }

    fn is_listed(&self, file: &str) -> io::Result<bool> {
        match File::open(self.folder.join(INDEX)) {
            Ok(index) => {
                for line in BufReader::new(index).lines() {
                    if line?.contains(file) {
                        return Ok(true);
                    }
                }
                Ok(false)
            }
            Err(why) if why.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(why) => Err(why),
        }
    }

    fn list(&self, line: &[&str]) -> io::Result<()> {
        let mut index = private(OpenOptions::new().create(true).append(true)).open(self.folder.join(INDEX))?;
        let mut rows = csv::Writer::from_writer(Vec::new());
        if index.metadata()?.len() == 0 {
            rows.write_record(HEADINGS)?;
        }
        rows.write_record(line.iter().map(|cell| for_a_spreadsheet(cell)))?;
        let rows = rows.into_inner().map_err(|why| io::Error::other(why.to_string()))?;
        // One write of whole lines: a kill leaves the line there or not, and never half of one in front of the next.
        index.write_all(&rows)
    }
}

/// They hold addresses: only their owner may read them, whatever the process's umask is.
fn private(options: &mut OpenOptions) -> &mut OpenOptions {
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(options, 0o600);
    options
}

/// Keys are made by this program and hold nothing else; this is for the day when one does.
fn safe_name(key: &str) -> String {
    key.chars().map(|c| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_') { c } else { '_' }).collect()
}

/// A cell that begins like a formula is shown as text by a leading apostrophe; a phone number's plus is left alone.
fn for_a_spreadsheet(cell: &str) -> String {
    let one_line = cell.replace(['\r', '\n'], " ");
    let formula = one_line.starts_with(['=', '-', '@', '\t'])
        || (one_line.starts_with('+') && !one_line.chars().skip(1).all(|c| c.is_ascii_digit()));
    if formula { format!("'{one_line}") } else { one_line }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dispatch::settings::EmailConfig;

    fn sms(key: &str, text: &str) -> Outgoing {
        Outgoing {
            key: key.into(),
            to: "+15055550100".into(),
            message: Message::Sms { text: text.into() },
            stop_url: None,
            at: "2026-04-10T16:00:00Z".parse().unwrap(),
            dated: "2026-04-10T16:00:00Z".parse().unwrap(),
        }
    }

    async fn in_folder(outgoing: &[Outgoing]) -> (tempfile::TempDir, String) {
        let folder = tempfile::tempdir().unwrap();
        let transport =
            FolderTransport::open(folder.path(), MailWriter::new(&EmailConfig::default()).unwrap()).unwrap();
        for one in outgoing {
            transport.send(one).await.unwrap();
        }
        let index = fs::read_to_string(folder.path().join(INDEX)).unwrap();
        (folder, index)
    }

    #[tokio::test]
    async fn a_repeat_is_the_same_file_and_the_same_line() {
        let (folder, index) = in_folder(&[sms("k1", "Look, now"), sms("k2", "b"), sms("k1", "Look, now")]).await;
        assert_eq!(index.lines().count(), 3, "{index}");
        assert_eq!(index.lines().nth(1).unwrap(), "2026-04-10T16:00:00Z,sms,+15055550100,\"Look, now\",k1.txt,k1");
        assert_eq!(fs::read_to_string(folder.path().join("k1.txt")).unwrap(), "To: +15055550100\n\nLook, now\n");
        assert!(!folder.path().join(".k1.txt.part").exists());
    }

    #[tokio::test]
    async fn a_line_that_a_crash_prevented_is_added_by_the_repeat() {
        let (folder, _) = in_folder(&[sms("k1", "a")]).await;
        fs::remove_file(folder.path().join(INDEX)).unwrap();
        let transport =
            FolderTransport::open(folder.path(), MailWriter::new(&EmailConfig::default()).unwrap()).unwrap();
        transport.send(&sms("k1", "a")).await.unwrap();
        assert_eq!(fs::read_to_string(folder.path().join(INDEX)).unwrap().lines().count(), 2);
    }

    #[tokio::test]
    async fn an_e_mail_is_a_whole_message() {
        let mut mail = sms("k3", "");
        mail.to = "owner@example.org".into();
        mail.message = Message::Email {
            subject: "=1+1".into(),
            text: "t".into(),
            html: "<p>t</p>".into(),
            calendar: None,
            chart_png: None,
        };
        let (folder, index) = in_folder(&[mail]).await;
        let raw = fs::read(folder.path().join("k3.eml")).unwrap();
        assert_eq!(mailparse::parse_mail(&raw).unwrap().subparts.len(), 2);
        assert!(index.contains(",'=1+1,k3.eml,"), "{index}");
    }

    #[tokio::test]
    async fn the_index_is_put_in_order_and_stays_whole() {
        let mut late = sms("k1", "late");
        late.at += chrono::TimeDelta::hours(1);
        let (folder, index) = in_folder(&[late, sms("k3", "one, two"), sms("k2", "a \"word\"")]).await;
        let transport =
            FolderTransport::open(folder.path(), MailWriter::new(&EmailConfig::default()).unwrap()).unwrap();
        transport.sort_index().unwrap();
        let sorted = fs::read_to_string(folder.path().join(INDEX)).unwrap();
        let keys: Vec<&str> = sorted.lines().filter_map(|line| line.rsplit(',').next()).collect();
        assert_eq!(keys, ["key", "k2", "k3", "k1"], "{sorted}");
        let lines = |text: &str| text.lines().map(String::from).collect::<std::collections::BTreeSet<_>>();
        assert_eq!((lines(&sorted), sorted.len()), (lines(&index), index.len()));
        transport.sort_index().unwrap();
        assert_eq!(fs::read_to_string(folder.path().join(INDEX)).unwrap(), sorted);
        let empty = tempfile::tempdir().unwrap();
        let mail = MailWriter::new(&EmailConfig::default()).unwrap();
        FolderTransport::open(empty.path(), mail).unwrap().sort_index().unwrap();
        assert!(!empty.path().join(INDEX).exists());
    }

    #[cfg(unix)]
    #[tokio::test]
    async fn only_their_owner_may_read_messages_index_and_folder() {
        use std::os::unix::fs::PermissionsExt;
        let above = tempfile::tempdir().unwrap();
        let folder = above.path().join("outbox");
        let transport = FolderTransport::open(&folder, MailWriter::new(&EmailConfig::default()).unwrap()).unwrap();
        transport.send(&sms("k1", "a")).await.unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&folder), 0o700);
        assert_eq!((mode(&folder.join("k1.txt")), mode(&folder.join(INDEX))), (0o600, 0o600));
        transport.sort_index().unwrap();
        assert_eq!(mode(&folder.join(INDEX)), 0o600);
    }

    #[test]
    fn names_stay_inside_the_folder() {
        assert_eq!(safe_name("../../etc/x y"), "______etc_x_y");
    }
}
