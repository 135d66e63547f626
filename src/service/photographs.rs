//! Photographs of field reports: looked at before they are decoded, written anew without what a camera adds, kept in a folder that no
//! page is served from.
#![expect(clippy::disallowed_methods, reason = "files are written, read and taken away on threads for blocking work")]

use std::collections::BTreeSet;
use std::fs::{self, DirBuilder, OpenOptions};
use std::io::{self, Cursor, Write};
use std::path::{Path, PathBuf};

use bytes::Bytes;
use chrono::{DateTime, TimeDelta, Utc};
use data_encoding::BASE64;
use image::codecs::jpeg::JpegEncoder;
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, RgbImage};
use tokio::sync::Semaphore;
use tracing::{info, warn};

use crate::config::Config;
use crate::files;
use crate::randomness::Randomness;
use crate::store::export::Export;
use crate::store::field_reports::NewPhotograph;
use crate::store::{Store, StoreError};
use crate::text::Chain;

/// Largest file that is taken.
pub const LARGEST_BYTES: usize = 8 << 20;

/// Most pixels that are decoded.
pub const MOST_PIXELS: u64 = 24_000_000;

/// Of 100: what the eye sees at a needle stays, and the file takes about what the phone's took.
const QUALITY: u8 = 85;

/// A file that no report names is taken away after this: before, its report may just be on its way into the store.
const ON_ITS_WAY: TimeDelta = TimeDelta::hours(1);

/// One at a time: decoded, a photograph takes up to a hundred megabytes and more.
static TURN: Semaphore = Semaphore::const_new(1);

/// Why a photograph is not taken, for who sent it.
#[derive(Debug, thiserror::Error)]
pub enum PhotographFault {
    #[error("the photograph holds more than {} MB: choose a smaller size in the camera, or send it cut to the needles", LARGEST_BYTES >> 20)]
    TooLarge,
    #[error("the photograph is not a JPEG or PNG file")]
    OtherKind,
    #[error(
        "the photograph has {width} × {height} pixels, and at most {} million are taken: choose a smaller size in the camera",
        MOST_PIXELS / 1_000_000
    )]
    TooManyPixels { width: u32, height: u32 },
    #[error("the photograph cannot be read: it may have been cut off on its way")]
    Damaged,
    #[error("the photograph could not be kept on our side: send the report without it, and tell an administrator")]
    NotKept(#[source] io::Error),
}

/// A photograph as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cleaned {
    /// JPEG, upright, without metadata.
    pub jpeg: Vec<u8>,
    pub width: u32,
    pub height: u32,
}

/// Decodes a photograph and writes it anew.
///
/// # Errors
/// [`PhotographFault`], but [`PhotographFault::NotKept`].
pub fn clean(bytes: &[u8]) -> Result<Cleaned, PhotographFault> {
    if bytes.len() > LARGEST_BYTES {
        return Err(PhotographFault::TooLarge);
    }
    // By its first bytes: what a browser says of a file is only its name.
    let format = image::guess_format(bytes).ok();
    let format = format.filter(|format| matches!(format, ImageFormat::Jpeg | ImageFormat::Png));
    let format = format.ok_or(PhotographFault::OtherKind)?;
    let mut decoder =
        ImageReader::with_format(Cursor::new(bytes), format).into_decoder().map_err(|_| PhotographFault::Damaged)?;
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return Err(PhotographFault::TooManyPixels { width, height });
    }
    // Without a word of it, it is upright.
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let mut picture = DynamicImage::from_decoder(decoder).map_err(|_| PhotographFault::Damaged)?;
    picture.apply_orientation(orientation);
    let picture = on_white(picture);
    let (width, height) = picture.dimensions();
    let mut jpeg = Vec::new();
    let encoder = JpegEncoder::new_with_quality(&mut jpeg, QUALITY);
    picture.write_with_encoder(encoder).map_err(|_| PhotographFault::Damaged)?;
    Ok(Cleaned { jpeg, width, height })
}

/// JPEG has no transparency.
fn on_white(picture: DynamicImage) -> RgbImage {
    if !picture.color().has_alpha() {
        return picture.into_rgb8();
    }
    let seen = picture.into_rgba8();
    RgbImage::from_fn(seen.width(), seen.height(), |x, y| {
        let [red, green, blue, alpha] = seen.get_pixel(x, y).0;
        let over = |colour: u8| {
            let [colour, alpha] = [u32::from(colour), u32::from(alpha)];
            u8::try_from((colour * alpha + 255 * (255 - alpha) + 127) / 255).unwrap_or(u8::MAX)
        };
        image::Rgb([over(red), over(green), over(blue)])
    })
}

/// The folder of photographs.
#[derive(Clone, Debug)]
pub struct Photographs {
    folder: PathBuf,
}

impl Photographs {
    /// `None` where the settings name no folder: then none are taken.
    pub fn of(config: &Config) -> Option<Self> {
        config.desk.photographs.clone().map(|folder| Self { folder })
    }

    /// Writes a photograph anew into the folder, under a name drawn by chance.
    ///
    /// # Errors
    /// [`PhotographFault`].
    pub async fn take(&self, bytes: Bytes, randomness: &Randomness) -> Result<NewPhotograph, PhotographFault> {
        let file = format!("{}.jpg", randomness.hex::<16>());
        let folder = self.folder.clone();
        let _turn = TURN.acquire().await;
        let work = tokio::task::spawn_blocking(move || {
            let Cleaned { jpeg, width, height } = clean(&bytes)?;
            write(&folder, &file, &jpeg).map_err(PhotographFault::NotKept)?;
            Ok(NewPhotograph { file, bytes: jpeg.len() as u64, width, height })
        });
        // A decoder that panics has met a file that no camera wrote.
        let taken = work.await.unwrap_or(Err(PhotographFault::Damaged));
        if let Err(PhotographFault::NotKept(why)) = &taken {
            warn!("a photograph could not be kept in `{}` (desk.photographs): {}", self.folder.display(), Chain(why));
        }
        taken
    }

    /// The bytes of a photograph; `None` when its file is gone, or its name is none of ours.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub async fn read(&self, file: &str) -> io::Result<Option<Vec<u8>>> {
        if !is_name(file) {
            return Ok(None);
        }
        let path = self.folder.join(file);
        // Written anew it may be somewhat larger than it came.
        let read = tokio::task::spawn_blocking(move || files::read(&path, 8 * LARGEST_BYTES as u64)).await;
        match read.unwrap_or_else(|why| Err(io::Error::other(why))) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(why) if why.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(why) => Err(why),
        }
    }

    /// Takes a file away that no report names any more. A fault is logged: [`sweep`] tries again.
    pub async fn remove(&self, file: &str) {
        if !is_name(file) {
            return;
        }
        if let Err(why) = tokio::fs::remove_file(self.folder.join(file)).await
            && why.kind() != io::ErrorKind::NotFound
        {
            warn!(
                "a photograph could not be erased from `{}`: {}; it will be later",
                self.folder.display(),
                Chain(&why)
            );
        }
    }
}

/// Puts the photographs of an owner's trees into what is exported for them. Gives how many have no file any more, or none that
/// these settings lead to.
///
/// # Errors
/// When a file that is there cannot be read.
pub async fn fill(config: &Config, export: &mut Export) -> io::Result<u32> {
    let folder = Photographs::of(config);
    let reports = export.addresses.iter_mut().flat_map(|address| &mut address.reports);
    let mut missing = 0;
    for photograph in reports.filter_map(|report| report.photograph.as_mut()) {
        let bytes = match &folder {
            Some(folder) => folder.read(&photograph.file).await?,
            None => None,
        };
        missing += u32::from(bytes.is_none());
        photograph.jpeg_base64 = bytes.map(|bytes| BASE64.encode(&bytes));
    }
    Ok(missing)
}

/// Takes away every photograph that no report names: those of people who were erased, and those whose report never came to be.
/// Other files are left alone. Gives how many. A fault of the folder is logged.
///
/// # Errors
/// When the store fails.
pub async fn sweep(config: &Config, store: &Store, now: DateTime<Utc>) -> Result<usize, StoreError> {
    let Some(photographs) = Photographs::of(config) else { return Ok(0) };
    let needed = store.photograph_files().await?;
    let folder = photographs.folder.clone();
    let work = tokio::task::spawn_blocking(move || sweep_folder(&folder, &needed, now));
    match work.await.unwrap_or_else(|why| Err(io::Error::other(why))) {
        Ok(gone) => {
            if gone > 0 {
                info!(photographs = gone, "erased photographs that no report names any more");
            }
            Ok(gone)
        }
        Err(why) => {
            warn!("photographs that are needed no more could not be erased: {}", Chain(&why));
            Ok(0)
        }
    }
}

/// As [`sweep`], at once after somebody was erased; the next cycle does what fails here.
pub async fn sweep_after_erasure(config: &Config, store: &Store, now: DateTime<Utc>) {
    if let Err(why) = sweep(config, store, now).await {
        warn!("photographs of who was erased will be erased by the next cycle: {}", Chain(&why));
    }
}

fn sweep_folder(folder: &Path, needed: &BTreeSet<String>, now: DateTime<Utc>) -> io::Result<usize> {
    let entries = match fs::read_dir(folder) {
        Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(0),
        entries => entries?,
    };
    let mut gone = 0;
    for entry in entries {
        let entry = entry?;
        let name = entry.file_name();
        let Some(name) = name.to_str().filter(|name| is_name(name.strip_suffix(PART).unwrap_or(name))) else {
            continue;
        };
        let written_at = DateTime::<Utc>::from(entry.metadata()?.modified()?);
        if !needed.contains(name) && now - written_at > ON_ITS_WAY {
            fs::remove_file(entry.path())?;
            gone += 1;
        }
    }
    Ok(gone)
}

/// End of the name of a file that is being written.
const PART: &str = ".part";

/// Only names that we draw lead to a file.
fn is_name(file: &str) -> bool {
    let drawn = file.strip_suffix(".jpg").unwrap_or("");
    drawn.len() == 32 && drawn.bytes().all(|c| c.is_ascii_digit() || (b'a'..=b'f').contains(&c))
}

/// For nobody but the service; there whole or not at all.
fn write(folder: &Path, file: &str, bytes: &[u8]) -> io::Result<()> {
    let mut builder = DirBuilder::new();
    builder.recursive(true);
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    }
    builder.create(folder)?;
    let part = folder.join(format!("{file}{PART}"));
    let mut open = options.open(&part)?;
    open.write_all(bytes)?;
    open.sync_all()?;
    fs::rename(part, folder.join(file))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_drawn_names_lead_to_a_file() {
        let drawn = "0123456789abcdef0123456789abcdef";
        assert!(is_name(&format!("{drawn}.jpg")));
        for other in ["", ".jpg", "../../etc/passwd", "0123456789ABCDEF0123456789ABCDEF.jpg", "x/0123456789abcdef.jpg"]
        {
            assert!(!is_name(other), "{other}");
        }
        assert!(!is_name(&format!("../{}.jpg", &drawn[3..])) && !is_name(&format!("{drawn}.jpg.part")));
    }

    #[test]
    fn what_is_seen_through_stands_on_white() {
        let mut clear = image::RgbaImage::new(2, 1);
        clear.put_pixel(0, 0, image::Rgba([10, 20, 30, 255]));
        let flat = on_white(DynamicImage::ImageRgba8(clear));
        assert_eq!((flat.get_pixel(0, 0).0, flat.get_pixel(1, 0).0), ([10, 20, 30], [255, 255, 255]));
    }
}
