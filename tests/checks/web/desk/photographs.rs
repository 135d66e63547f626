//! Photographs of field reports: what is taken, what is kept of it, who sees it, and when it goes.

use std::time::{Duration, SystemTime};

use axum::body::{Body, Bytes};
use axum::http::StatusCode;
use image::codecs::jpeg::JpegEncoder;
use image::{Rgb, RgbImage};
use treebell::clock::Clock;
use treebell::people::account::{RegionReach, Role};
use treebell::service::photographs::{LARGEST_BYTES, Photographs, fill, sweep, sweep_after_erasure};
use treebell::service::subscribe::stop::{StopRequest, stop};
use treebell::store::field_reports::{NewFieldReport, ReportSource, Seen};

use super::reports::report_of_north;
use super::support::{Browser, DeskWorld, multipart, of_region};
use crate::people::{address, subscribe};

/// What must not be found in anything that is kept or shown.
const CANARY: &[u8] = b"canary 32.75 N 134.95 W";

/// 64 × 32 pixels, its first corner red, as a camera that was held upright writes it: Exif says that it lies on its side, and where
/// it was taken.
fn photograph() -> Vec<u8> {
    let picture =
        RgbImage::from_fn(64, 32, |x, y| if x < 32 && y < 16 { Rgb([220, 20, 20]) } else { Rgb([20, 20, 220]) });
    let mut jpeg = Vec::new();
    picture.write_with_encoder(JpegEncoder::new_with_quality(&mut jpeg, 95)).unwrap();
    // Exif 2.3 in an APP1 segment: TIFF header, one directory with an orientation (6: turn it right) and a description.
    let mut exif = b"Exif\0\0II*\0\x08\0\0\0\x02\0".to_vec();
    exif.extend(b"\x12\x01\x03\0\x01\0\0\0\x06\0\0\0");
    exif.extend(b"\x0e\x01\x02\0");
    exif.extend((CANARY.len() as u32).to_le_bytes());
    exif.extend(38u32.to_le_bytes());
    exif.extend([0; 4]);
    exif.extend(CANARY);
    let mut with = jpeg[..2].to_vec();
    with.extend([0xff, 0xe1]);
    with.extend((exif.len() as u16 + 2).to_be_bytes());
    with.extend(&exif);
    with.extend(&jpeg[2..]);
    assert!(holds(&with, CANARY));
    with
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|window| window == part)
}

/// A PNG whose head says so many pixels, and which holds none of them.
fn png_of(width: u32, height: u32) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    let mut writer = encoder.write_header().unwrap();
    writer.write_chunk(png::chunk::IDAT, &[0x78, 0x9c]).unwrap();
    drop(writer);
    bytes
}

const FORM: [(&str, &str); 4] =
    [("region", "north"), ("saw", "eggs"), ("date", "2025-03-09"), ("tree", "tall one by the creek")];

async fn maria(desk: &DeskWorld) -> Browser<'_> {
    let mut browser = desk.signed_in("maria", Role::Staff, of_region("north")).await.0;
    browser.get("/desk/new-report").await;
    browser
}

async fn kept(desk: &DeskWorld) -> usize {
    let day = |text: &str| text.parse().unwrap();
    desk.store().field_reports(None, day("2025-01-01"), day("2025-12-31")).await.unwrap().len()
}

#[tokio::test]
async fn an_owner_is_given_the_photographs_of_their_trees() {
    let desk = DeskWorld::new().await;
    subscribe(desk.store(), &["00101"], &["owner@example.org"]).await;
    let owner = address("owner@example.org");
    let person = Some(desk.store().address_id(&owner).await.unwrap().to_string());
    let new = NewFieldReport {
        region: "north".into(),
        zip: None,
        observed_on: "2025-03-09".parse().unwrap(),
        tree: None,
        seen: Seen::default(),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Subscriber,
        person,
        note: None,
    };
    let now = desk.world.clock.now();
    let report = desk.store().add_field_report(&new, now).await.unwrap();
    let config = &desk.world.app.config;
    let folder = Photographs::of(config).unwrap();
    let taken = folder.take(Bytes::from(photograph()), desk.store().randomness()).await.unwrap();
    desk.store().put_photograph(&report, &taken, now).await.unwrap();

    let mut export = desk.store().export_subscriber(&owner).await.unwrap();
    assert_eq!(fill(config, &mut export).await.unwrap(), 0);
    let told = export.addresses[0].reports[0].photograph.clone().expect("the report has a photograph");
    let jpeg = data_encoding::BASE64.decode(told.jpeg_base64.unwrap().as_bytes()).unwrap();
    assert_eq!(jpeg, std::fs::read(desk.path("photographs").join(&taken.file)).unwrap());
    assert!(!holds(&jpeg, CANARY));
    // One whose file is gone is named, and the rest is given all the same.
    folder.remove(&taken.file).await;
    let mut export = desk.store().export_subscriber(&owner).await.unwrap();
    assert_eq!(fill(config, &mut export).await.unwrap(), 1);
    assert_eq!(export.addresses[0].reports[0].photograph.as_ref().unwrap().jpeg_base64, None);
}

#[tokio::test]
async fn a_photograph_is_kept_upright_without_what_the_camera_adds_under_a_name_of_ours() {
    let desk = DeskWorld::new().await;
    let mut maria = maria(&desk).await;
    let names = ["../../../tmp/escaped.jpg", "..\\escaped.jpg", "/etc/escaped.jpg", "%2e%2e%2fescaped.jpg", ""];
    for (nth, name) in names.into_iter().enumerate() {
        let note = format!("look {nth}");
        let form: Vec<(&str, &str)> = FORM.into_iter().chain([("note", note.as_str())]).collect();
        let answer = maria.upload("/desk/new-report", &form, Some((name, &photograph()))).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{name}: {}", answer.body);
        let files = desk.photographs();
        assert_eq!(files.len(), nth + 1, "{name}");
        assert!(
            files.iter().all(|file| file.len() == 36 && file.ends_with(".jpg") && !file.contains("..")),
            "{files:?}"
        );
    }
    let beside: Vec<String> = std::fs::read_dir(desk.path(""))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(beside.len(), 2, "nothing is written beside the folder: {beside:?}");
    for file in desk.photographs() {
        let path = desk.path("photographs").join(file);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        }
        let bytes = std::fs::read(path).unwrap();
        assert!(!holds(&bytes, b"Exif") && !holds(&bytes, CANARY), "metadata is gone");
        let picture = image::load_from_memory(&bytes).unwrap().into_rgb8();
        assert_eq!(picture.dimensions(), (32, 64), "it stands upright");
        // Turned right, the first corner is the second.
        let (red, blue) = (picture.get_pixel(28, 4).0, picture.get_pixel(4, 4).0);
        assert!(red[0] > 150 && red[2] < 100 && blue[0] < 100 && blue[2] > 150, "{red:?} {blue:?}");
    }
}

#[tokio::test]
async fn a_photograph_is_shown_to_who_is_signed_in_and_to_nobody_else() {
    let desk = DeskWorld::new().await;
    let mut maria = maria(&desk).await;
    let answer = maria.upload("/desk/new-report", &FORM, Some(("a.jpg", &photograph()))).await;
    let report = answer.header("location").split('?').next().unwrap().to_owned();
    let picture = format!("{report}/photograph");
    let page = maria.get(&report).await.body;
    assert!(page.contains(&format!("src=\"{picture}\" width=\"32\" height=\"64\"")), "{page}");
    let mut olga = desk.signed_in("olga", Role::Observer, RegionReach::default()).await.0;
    let seen = olga.get(&picture).await;
    assert_eq!((seen.status, seen.header("content-type")), (StatusCode::OK, "image/jpeg"));
    assert_eq!((seen.header("cache-control"), seen.header("x-content-type-options")), ("no-store", "nosniff"));
    let mut nobody = desk.browser();
    let answer = nobody.get(&picture).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert!(answer.header("location").starts_with("/desk/sign-in"), "{}", answer.header("location"));

    // A name that is none of ours leads to no file, wherever it came from.
    std::fs::write(desk.path("secret.jpg"), "secret").unwrap();
    let mut tx = desk.store().begin().await.unwrap();
    sqlx::query("UPDATE field_report_photographs SET file = '../secret.jpg'").execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
    let answer = olga.get(&picture).await;
    assert_eq!(answer.status, StatusCode::NOT_FOUND);
    assert!(!answer.body.contains("secret"));
    maria.get(&report).await;
    maria.post(&format!("{report}/erase-photograph"), &[]).await;
    assert!(desk.path("secret.jpg").exists(), "nor is such a file taken away");
}

#[tokio::test]
async fn too_many_bytes_or_pixels_and_other_files_are_refused_with_the_form_as_it_was() {
    let desk = DeskWorld::new().await;
    let mut maria = maria(&desk).await;
    let mut large = photograph();
    large.resize(LARGEST_BYTES + 1, 0);
    let wide = png_of(6001, 4000);
    let cut = photograph()[..300].to_vec();
    for (what, bytes, said) in [
        ("8 MB and a byte", large.as_slice(), "more than 8 MB"),
        ("24 million pixels and some", wide.as_slice(), "6001 × 4000 pixels"),
        ("the head of a PNG alone", png_of(600, 400).as_slice(), "cannot be read"),
        ("a cut JPEG", cut.as_slice(), "cannot be read"),
        ("a GIF", b"GIF89a\x01\0\x01\0\0\0\0;".as_slice(), "not a JPEG or PNG"),
        ("a page", b"<html><script>alert(1)</script>".as_slice(), "not a JPEG or PNG"),
    ] {
        let answer = maria.upload("/desk/new-report", &FORM, Some(("a.jpg", bytes))).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{what}: {}", answer.body);
        assert!(answer.body.contains(said), "{what}: {}", answer.body);
        assert!(answer.body.contains("value=\"tall one by the creek\""), "{what}: what was typed stays");
        assert_eq!((kept(&desk).await, desk.photographs().len()), (0, 0), "{what}");
    }
    // To the byte it is taken.
    let mut most = photograph();
    most.resize(LARGEST_BYTES, 0);
    let answer = maria.upload("/desk/new-report", &FORM, Some(("a.jpg", &most))).await;
    assert_eq!((answer.status, desk.photographs().len()), (StatusCode::SEE_OTHER, 1), "{}", answer.body);
}

#[tokio::test]
async fn a_request_that_says_too_much_is_refused_before_it_is_read_and_one_that_does_not_say_while_it_is() {
    let desk = DeskWorld::new().await;
    let mut maria = maria(&desk).await;
    let token = maria.token.clone();
    let head = multipart(&[("form_token", &token)], None);
    let headers = [("sec-fetch-site", "same-origin"), ("content-length", "30000000")];
    let answer = maria.upload_raw("/desk/new-report", head, &headers).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE, "{}", answer.body);
    assert!(answer.body.contains("8 MB at most"), "{}", answer.body);

    // A body without an end, behind the right token.
    let start = multipart(&[("form_token", &token)], Some(("a.jpg", b"\xff\xd8\xff")));
    let start = Bytes::from(start[..start.len() - 40].to_vec());
    let megabyte = Bytes::from(vec![0; 1 << 20]);
    let more = std::iter::repeat_n(megabyte, 4096).map(Ok::<_, std::io::Error>);
    let body = Body::from_stream(futures::stream::iter(std::iter::once(Ok(start)).chain(more)));
    let answer = maria.stream("/desk/new-report", body).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert_eq!((kept(&desk).await, desk.photographs().len()), (0, 0));
    // Words are no way around it.
    let long = "n".repeat(70_000);
    let answer = maria.upload("/desk/new-report", &[("note", &long)], None).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
}

#[tokio::test]
async fn a_form_with_a_photograph_wants_its_token_first_and_a_page_of_ours() {
    let desk = DeskWorld::new().await;
    let mut maria = maria(&desk).await;
    let (token, picture) = (maria.token.clone(), photograph());
    let ours = [("sec-fetch-site", "same-origin")];
    let right: Vec<(&str, &str)> = [("form_token", token.as_str())].into_iter().chain(FORM).collect();
    let wrong: Vec<(&str, &str)> = [("form_token", "0123")].into_iter().chain(FORM).collect();
    let late: Vec<(&str, &str)> = FORM.into_iter().chain([("form_token", token.as_str())]).collect();
    for (what, body, headers) in [
        ("a wrong token", multipart(&wrong, Some(("a.jpg", &picture))), &ours[..]),
        ("no token", multipart(&FORM, Some(("a.jpg", &picture))), &ours),
        ("a token behind the rest", multipart(&late, Some(("a.jpg", &picture))), &ours),
        ("nothing", multipart(&[], None), &ours),
        ("half a body", multipart(&right, Some(("a.jpg", &picture)))[..200].to_vec(), &ours),
        ("another site", multipart(&right, Some(("a.jpg", &picture))), &[("sec-fetch-site", "cross-site")]),
        ("nobody says from where", multipart(&right, Some(("a.jpg", &picture))), &[]),
    ] {
        let answer = maria.upload_raw("/desk/new-report", body, headers).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{what}: {}", answer.body);
        assert_eq!((kept(&desk).await, desk.photographs().len()), (0, 0), "{what}");
    }
    // Neither kind of form passes for the other.
    assert_eq!(maria.post("/desk/new-report", &FORM).await.status, StatusCode::BAD_REQUEST);
    let report = report_of_north(&desk).await;
    let answer = maria.upload(&format!("/desk/report/{report}/confirm"), &[], None).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    // Without a session nothing of it is read.
    let mut nobody = desk.browser();
    let body = Body::from_stream(futures::stream::pending::<Result<Bytes, std::io::Error>>());
    assert_eq!(nobody.stream("/desk/new-report", body).await.status, StatusCode::SEE_OTHER);
}

/// As if a photograph had been written so many minutes ago by the world's clock.
fn age(desk: &DeskWorld, file: &str, minutes: u64) {
    let now = u64::try_from(desk.world.clock.now().timestamp_millis()).unwrap();
    let then = SystemTime::UNIX_EPOCH + Duration::from_millis(now) - Duration::from_secs(60 * minutes);
    let file = std::fs::File::options().write(true).open(desk.path("photographs").join(file)).unwrap();
    file.set_modified(then).unwrap();
}

#[tokio::test]
async fn a_photograph_goes_with_its_owner_by_a_word_of_staff_and_when_no_report_came_of_it() {
    let desk = DeskWorld::new().await;
    let (store, now) = (desk.store(), desk.world.clock.now());
    subscribe(store, &["00101"], &["a@example.org"]).await;
    let owner = address("a@example.org");
    let told = NewFieldReport {
        region: "north".into(),
        zip: None,
        observed_on: "2025-03-07".parse().unwrap(),
        tree: None,
        seen: Seen::stage(None, None),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Subscriber,
        person: Some(store.address_id(&owner).await.unwrap().to_string()),
        note: None,
    };
    let of_owner = store.add_field_report(&told, now).await.unwrap();
    let of_staff = report_of_north(&desk).await;
    let mut maria = maria(&desk).await;
    for report in [&of_owner, &of_staff] {
        maria.get(&format!("/desk/report/{report}")).await;
        let answer =
            maria.upload(&format!("/desk/report/{report}/photograph"), &[], Some(("a.jpg", &photograph()))).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    }
    assert_eq!(desk.photographs().len(), 2);
    // Another one takes the place of the first, which is gone at once.
    maria.upload(&format!("/desk/report/{of_staff}/photograph"), &[], Some(("b.jpg", &photograph()))).await;
    let file = |report: String| async move { store.photograph_of(&report).await.unwrap().map(|of| of.file) };
    let (owners, staffs) = (file(of_owner.clone()).await.unwrap(), file(of_staff.clone()).await.unwrap());
    let mut there = desk.photographs();
    there.sort();
    let mut wanted = vec![owners.clone(), staffs.clone()];
    wanted.sort();
    assert_eq!(there, wanted);

    for file in desk.photographs() {
        age(&desk, &file, 120);
    }
    stop(store, &*desk.world.clock, StopRequest::Erase(&owner), "asked on the phone").await.unwrap();
    sweep_after_erasure(&desk.world.app.config, store, now).await;
    assert_eq!(file(of_owner).await, None);
    assert_eq!(desk.photographs(), std::slice::from_ref(&staffs), "the owner's is gone, the other is there");

    maria.get(&format!("/desk/report/{of_staff}")).await;
    maria.post(&format!("/desk/report/{of_staff}/erase-photograph"), &[]).await;
    assert_eq!((file(of_staff).await, desk.photographs().len()), (None, 0));

    // One whose report never came, and a file that is not ours.
    let photographs = Photographs::of(&desk.world.app.config).unwrap();
    let mut files = Vec::new();
    for minutes in [120, 30] {
        let new = photographs.take(photograph().into(), store.randomness()).await.unwrap();
        age(&desk, &new.file, minutes);
        files.push(new.file);
    }
    std::fs::write(desk.path("photographs").join("README"), "not ours").unwrap();
    assert_eq!(sweep(&desk.world.app.config, store, now).await.unwrap(), 1, "what is on its way stays");
    let mut there = desk.photographs();
    there.sort();
    let mut wanted = vec![files[1].clone(), "README".to_owned()];
    wanted.sort();
    assert_eq!(there, wanted);
}
