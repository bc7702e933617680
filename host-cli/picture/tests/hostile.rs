//! Pictures that somebody made to do harm: each is refused with its reason, or becomes pixels and nothing else, in a bounded time.

use std::time::{Duration, Instant};

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder, ImageFormat};
use seathold_picture::mark::{PNG_BYTES_MAX, ShopMark};
use seathold_picture::photograph::{Photograph, SIDE_MAX, check_kept};

/// What nothing here may take, in a build without optimisation and on a busy machine.
const LONG: Duration = Duration::from_secs(20);

fn within_time<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let begun = Instant::now();
    let done = work();
    let took = begun.elapsed();
    println!("{what}: {took:?}");
    assert!(took < LONG, "{what} took {took:?}");
    done
}

fn svg(inside: &str) -> String {
    format!("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 400 150\">\n{inside}\n</svg>")
}

fn refused(inside: &str) -> String {
    refused_whole(&svg(inside))
}

fn refused_whole(text: &str) -> String {
    within_time("refused", || ShopMark::from_drawing(text.as_bytes())).unwrap_err().to_string()
}

#[test]
fn what_is_not_on_the_list_is_named_with_its_line() {
    let elements = [
        "script",
        "image",
        "use",
        "text",
        "style",
        "filter",
        "mask",
        "pattern",
        "foreignObject",
        "clipPath",
        "marker",
        "symbol",
        "a",
        "switch",
        "animate",
        "set",
        "metadata",
        "iframe",
        "view",
        "cursor",
    ];
    for element in elements {
        let why = refused(&format!("<rect width=\"9\" height=\"9\"/>\n<g><{element}/></g>"));
        assert!(why.starts_with(&format!("line 3: <{element}> is not allowed in a mark; ")), "{why}");
    }
    let foreign = refused("<path xmlns=\"http://www.w3.org/1999/xhtml\" d=\"M0 0L9 9\"/>");
    assert!(foreign.starts_with("line 2: <path> is not allowed"), "{foreign}");
    assert!(refused("<title>a<script/></title>").starts_with("line 2: <script> within <title> is not allowed"));
    assert!(refused("<svg viewBox=\"0 0 1 1\"/>").starts_with("line 2: <svg> within <svg>"));
    assert!(refused_whole("<html/>").contains("its first element is <html>, not <svg>"));
}

#[test]
fn scripts_references_and_effects_are_refused() {
    for (inside, said) in [
        ("<rect onload=\"alert(1)\" width=\"9\" height=\"9\"/>", "<rect> has a script in onload"),
        (
            "<rect width=\"9\" height=\"9\" fill=\"url(http://a.example/x)\"/>",
            "fill of <rect> refers to something else",
        ),
        ("<rect width=\"9\" height=\"9\" style=\"fill:url(//a.example/x)\"/>", "fill of <rect> "),
        ("<rect width=\"9\" height=\"9\" fill=\"url(#a) url(b)\"/>", "fill of <rect> refers to something else"),
        (
            "<linearGradient xmlns:xlink=\"http://www.w3.org/1999/xlink\" xlink:href=\"http://a.example/x.svg#a\"/>",
            "by href",
        ),
        ("<linearGradient href=\"file:///etc/passwd\"/>", "by href"),
        ("<rect href=\"#a\"/>", "by href"),
        ("<rect width=\"9\" height=\"9\" style=\"filter: blur(9999px)\"/>", "filter of <rect>"),
        ("<rect width=\"9\" height=\"9\" filter=\"blur(9999px)\"/>", "filter of <rect>"),
        ("<g mask=\"url(#m)\"/>", "mask of <g>"),
        ("<g clip-path=\"circle(9px)\"/>", "clip-path of <g>"),
        ("<path d=\"M0 0H400\" stroke=\"#000\" stroke-dasharray=\"0.00001\"/>", "stroke-dasharray of <path>"),
        ("<rect width=\"9\" height=\"9\" fill=\"&quot;/&gt;&lt;script&gt;\"/>", "has '\"' in it"),
        ("<?xml-stylesheet href=\"http://a.example/x.css\"?>", "a processing instruction"),
    ] {
        let why = refused(inside);
        assert!(why.starts_with("line 2: ") && why.contains(said), "{inside}: {why}");
    }
}

#[test]
fn document_types_and_entities_are_refused() {
    let mut bomb = "<!DOCTYPE svg [<!ENTITY a0 \"lol\">".to_owned();
    for n in 1..20 {
        bomb += &format!("<!ENTITY a{n} \"{}\">", format!("&a{};", n - 1).repeat(10));
    }
    bomb += "]>\n<svg xmlns=\"http://www.w3.org/2000/svg\"><title>&a19;</title></svg>";
    assert!(refused_whole(&bomb).contains("it has a document type (DTD)"));
    let outside = "<!DOCTYPE svg SYSTEM \"file:///etc/passwd\">\n<svg xmlns=\"http://www.w3.org/2000/svg\"/>";
    assert!(refused_whole(outside).contains("it has a document type (DTD)"));
    assert!(refused("<title>&undefined;</title>").contains("cannot be read"));
}

#[test]
fn what_is_too_much_is_refused_in_time() {
    let deep = |n: usize| format!("{}{}", "<g>".repeat(n), "</g>".repeat(n));
    assert!(refused(&deep(100_000)).contains("bytes; 262144 are allowed"));
    assert!(refused(&deep(30_000)).contains("more than 4000 nodes"));
    // Never closed.
    assert!(refused(&"<g>".repeat(80_000)).contains("more than 4000 nodes"));
    assert!(refused(&deep(3_000)).contains("lies in more than 16 others"));
    assert!(refused(&deep(17)).contains("lies in more than 16 others"));
    assert!(refused(&"<path d=\"M0 0\"/>".repeat(1_501)).contains("more than 1500 elements"));
    assert!(refused(&"<linearGradient/>".repeat(65)).contains("more than 64 gradients"));
    let stops = format!("<linearGradient>{}</linearGradient>", "<stop offset=\"0\"/>".repeat(513));
    assert!(refused(&stops).contains("more than 512 stops"));
    assert!(refused(&"<g opacity=\".5\"/>".repeat(65)).contains("more than 64 elements have an opacity"));
    for nothing in ["A1 1 0 0 0 0 0", "z", "A999999 1 0 1 0 9 9", "A1 1 0 0 0 0 0z", "0 0 0 0 0 0 0 "] {
        let first = if nothing.starts_with('0') { "A" } else { "" };
        let why = refused(&format!("<path d=\"M0 0{first}{}\"/>", nothing.repeat(9_000)));
        assert!(why.contains("more than 200 arcs or closings in a row"), "{nothing}: {why}");
    }
    for number in ["1000001", "1e7", "1e999", "99999999999999999999999999", "-2e6", "0.5.3 2e9"] {
        let why = refused(&format!("<path d=\"M0 0L{number}\"/>"));
        assert!(why.contains("is not a number of at most 1000000"), "{number}: {why}");
    }
    let huge = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 1e9 1e9\"><path d=\"M0 0H1V1\"/></svg>";
    assert!(refused_whole(huge).contains("viewBox of <svg>: 1e9 is not a number of at most"));
    let narrow = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 900000 1\"><path d=\"M0 0H9V1\"/></svg>";
    assert!(refused_whole(narrow).contains("is too narrow"));
    for empty in ["0 0 0 0", "0 0 -5 5"] {
        let text =
            format!("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"{empty}\"><path d=\"M0 0H9V1\"/></svg>");
        let _ = within_time(empty, || ShopMark::from_drawing(text.as_bytes()));
    }
    assert_eq!(refused("<g/>"), "nothing is drawn in it");
    assert!(ShopMark::from_drawing(b"\xff\xfe<svg/>").unwrap_err().to_string().contains("it is not UTF-8"));
}

/// As much as is let through: it is drawn, and in time.
#[test]
fn as_much_as_is_allowed_is_drawn_in_time() {
    let drawn = |what: &str, inside: &str| {
        let text = svg(inside);
        assert!(text.len() < 256 << 10, "{what}: {}", text.len());
        let mark = within_time(what, || ShopMark::from_drawing(text.as_bytes())).unwrap();
        assert!(mark.png.len() <= PNG_BYTES_MAX && mark.width <= 945 && mark.height <= 354, "{what}");
    };
    let stops: String =
        (0..8).map(|n| format!("<stop offset=\"{}\" stop-color=\"#{n}{n}f\"/>", f64::from(n) / 8.0)).collect();
    let chain: String = (0..64)
        .map(|n| format!("<radialGradient id=\"a{n}\" href=\"#a{}\" spreadMethod=\"reflect\" r=\"0.001\">{stops}</radialGradient>", (n + 1) % 64))
        .collect();
    let rects: String =
        (0..140).map(|n| format!("<rect width=\"400\" height=\"150\" fill=\"url(#a{})\"/>", n % 64)).collect();
    drawn("gradients that lead to one another in a circle", &format!("<defs>{chain}</defs>{rects}"));
    drawn("whole surfaces", &"<rect width=\"400\" height=\"150\" fill-opacity=\".5\"/>".repeat(149));
    assert!(
        refused(&"<rect width=\"400\" height=\"150\"/>".repeat(151)).contains("paints over itself more than 150 times")
    );
    let layers =
        format!("{}<rect width=\"400\" height=\"150\"/>{}", "<g opacity=\".9\">".repeat(14), "</g>".repeat(14));
    drawn("layers in one another", &layers);
    drawn(
        "layers beside one another",
        &"<g opacity=\".9\"><rect width=\"400\" height=\"150\"/><rect width=\"9\" height=\"9\"/></g>".repeat(64),
    );
    let zigzag: String = (0..40_000).map(|n| if n % 2 == 0 { "L0 0" } else { "L9 9" }).collect();
    drawn(
        "a long path",
        &format!("<path d=\"M0 0{zigzag}\" stroke=\"#000\" stroke-width=\"3\" stroke-linejoin=\"round\"/>"),
    );
    // What reads paths once called itself for each arc without a length and each further closing.
    let arcs: String = (0..3_000).map(|_| format!("{}M0 0", "A999999 1 0 1 0 9 9".repeat(4))).collect();
    drawn("as many closings as there may be", &format!("<path d=\"M0 0L9 9V0{}\"/>", "z".repeat(200)));
    drawn("arcs", &format!("<path d=\"M0 0{arcs}\" stroke=\"#000\" stroke-width=\"300\"/>"));
    let far = format!(
        "{}<path d=\"M0 0H1V1\" stroke=\"#000\"/>{}",
        "<g transform=\"scale(1000000)\">".repeat(15),
        "</g>".repeat(15)
    );
    let _ = within_time("scaled beyond all numbers", || ShopMark::from_drawing(svg(&far).as_bytes()));
    let wide = "<path d=\"M0 0C1000000 -1000000 -1000000 1000000 400 150\" stroke=\"#000\" stroke-width=\"0.001\"/>";
    drawn("a curve that leads far out", &format!("{}<path d=\"M0 0H99V99\"/>", wide.repeat(140)));
}

/// A drawing as programs write it.
#[test]
fn an_honest_drawing_becomes_a_mark() {
    let text = "<?xml version=\"1.0\" encoding=\"UTF-8\" standalone=\"no\"?>\n<!-- made by hand -->\n\
        <svg xmlns=\"http://www.w3.org/2000/svg\" xmlns:i=\"urn:program\" width=\"80mm\" height=\"30mm\" viewBox=\"0 0 80 30\" \
        version=\"1.1\" i:zoom=\"3\"><title>Tidewater</title><defs><linearGradient id=\"a\"><stop offset=\"0\" style=\"stop-color:#004080;\
        stop-opacity:1\"/><stop offset=\"1\" stop-color=\"#80c0ff\"/></linearGradient></defs><g id=\"g1\" i:label=\"x\" \
        style=\"fill:url(#a);fill-opacity:1;stroke:none;font-family:sans-serif;-i-font:'Sans'\"><path class=\"k\" \
        d=\"m 0,0 h 80 v 30 h -80 z\"/></g><circle cx=\"40\" cy=\"15\" r=\"1.2e1\" fill=\"#fff\" stroke=\"black\" \
        stroke-width=\".5\"/></svg>";
    let mark = ShopMark::from_drawing(text.as_bytes()).unwrap();
    assert_eq!((mark.width, mark.height, mark.size_mm()), (944, 354, (40.0, 15.0)));
    assert_eq!(mark, ShopMark::from_drawing(text.as_bytes()).unwrap());
    let pixels = image::load_from_memory_with_format(&mark.png, ImageFormat::Png).unwrap().into_rgb8();
    assert_eq!(pixels.get_pixel(472, 177).0, [255; 3]);
    assert!(pixels.get_pixel(2, 2).0[2] > 110 && pixels.get_pixel(2, 2).0[0] < 10, "{:?}", pixels.get_pixel(2, 2));
    assert!(pixels.get_pixel(940, 2).0[2] > 240, "{:?}", pixels.get_pixel(940, 2));
    // What a certificate has in it makes the same certificate again.
    assert_eq!(ShopMark::from_bitmap(&mark.png).unwrap(), mark);
}

/// The chunk of a PNG (ISO/IEC 15948, 5.3), its check sum by that standard's annex D.
fn chunk(name: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut crc = u32::MAX;
    for byte in name.iter().chain(data) {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 };
        }
    }
    let length = u32::try_from(data.len()).unwrap().to_be_bytes();
    [&length[..], name, data, &(!crc).to_be_bytes()].concat()
}

fn png_head(width: u32, height: u32, depth: u8, colour: u8) -> Vec<u8> {
    let size = [width.to_be_bytes(), height.to_be_bytes()].concat();
    [&b"\x89PNG\r\n\x1a\n"[..], &chunk(b"IHDR", &[&size[..], &[depth, colour, 0, 0, 0]].concat())].concat()
}

fn png(width: u32, height: u32, pixel: impl Fn(u32, u32) -> [u8; 3]) -> Vec<u8> {
    let image = image::RgbImage::from_fn(width, height, |x, y| image::Rgb(pixel(x, y)));
    let mut bytes = Vec::new();
    let encoder = image::codecs::png::PngEncoder::new(&mut bytes);
    encoder.write_image(&image, width, height, ExtendedColorType::Rgb8).unwrap();
    bytes
}

fn jpeg(width: u32, height: u32, pixel: impl Fn(u32, u32) -> [u8; 3]) -> Vec<u8> {
    let image = image::RgbImage::from_fn(width, height, |x, y| image::Rgb(pixel(x, y)));
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 90).encode(&image, width, height, ExtendedColorType::Rgb8).unwrap();
    bytes
}

/// No colour twice in a row, the same each time.
fn noise(x: u32, y: u32) -> [u8; 3] {
    let mixed = (x.wrapping_mul(0x9e37_79b9) ^ y.wrapping_mul(0x85eb_ca6b)).wrapping_mul(0xc2b2_ae35);
    (mixed ^ (mixed >> 15)).wrapping_mul(0x27d4_eb2f).to_be_bytes()[..3].try_into().unwrap()
}

#[test]
fn sizes_that_are_only_claimed_take_no_memory() {
    let claimed = [png_head(100_000, 100_000, 8, 6), chunk(b"IDAT", b"")].concat();
    let why = within_time("claimed", || Photograph::read(&claimed)).unwrap_err().to_string();
    assert_eq!(why, "100000 × 100000 pixels; 50000000 are allowed");
    let why = ShopMark::from_bitmap(&claimed).unwrap_err().to_string();
    assert_eq!(why, "100000 × 100000 pixels; 8000000 are allowed");
    // Few enough pixels, of eight bytes each.
    let wide = [png_head(7_000, 7_000, 16, 6), chunk(b"IDAT", b"")].concat();
    assert!(within_time("wide", || Photograph::read(&wide)).unwrap_err().to_string().contains("cannot be read"));
    let narrow = [png_head(50_000, 1, 8, 2), chunk(b"IDAT", b"")].concat();
    assert!(Photograph::read(&narrow).unwrap_err().to_string().contains("too narrow"));
    assert!(Photograph::read(&[png_head(0, 0, 8, 2), chunk(b"IDAT", b"")].concat()).is_err());
    // A JPEG whose frame claims 65 535 × 65 535.
    let mut frame = jpeg(64, 64, noise);
    let at = frame.windows(2).position(|pair| pair == [0xff, 0xc0]).unwrap();
    frame[at + 5..at + 9].copy_from_slice(&[0xff; 4]);
    assert!(
        within_time("frame", || Photograph::read(&frame)).unwrap_err().to_string().contains("65535 × 65535 pixels")
    );
}

/// A few kilobytes that are tens of millions of pixels, which is allowed: they become a photograph of the size of any other.
#[test]
fn a_png_of_little_that_becomes_much_stays_within_bounds() {
    let blank = png(6_000, 5_000, |_, _| [7, 7, 7]);
    assert!(blank.len() < 1 << 20, "{}", blank.len());
    let photograph = within_time("blank", || Photograph::read(&blank)).unwrap();
    assert_eq!((photograph.width, photograph.height), (1_600, 1_333));
    // The same ninety megabytes as a remark, which nobody wants to read.
    let packed = data_of(&blank);
    let mut bytes = png(32, 32, noise);
    bytes.splice(33..33, chunk(b"zTXt", &[b"Comment\0\0".as_slice(), &packed].concat()));
    bytes.splice(33..33, chunk(b"iCCP", &[b"Colours\0\0".as_slice(), &packed].concat()));
    let photograph = within_time("remark", || Photograph::read(&bytes)).unwrap();
    assert!((photograph.width, photograph.height) == (32, 32) && photograph.jpeg.len() < 8_000);
}

/// What is packed in the pixels of a PNG.
fn data_of(png: &[u8]) -> Vec<u8> {
    let (mut at, mut data) = (8, Vec::new());
    while let Some(length) = png.get(at..at + 4) {
        let length = u32::from_be_bytes(length.try_into().unwrap()) as usize;
        if &png[at + 4..at + 8] == b"IDAT" {
            data.extend(&png[at + 8..at + 8 + length]);
        }
        at += length + 12;
    }
    data
}

#[test]
fn a_mark_of_noise_is_made_smaller_until_it_is_short() {
    let mark = within_time("noise", || ShopMark::from_bitmap(&png(1_000, 1_000, noise))).unwrap();
    assert!(mark.png.len() <= PNG_BYTES_MAX && mark.width == mark.height && mark.width > 80, "{}", mark.width);
    let flat = ShopMark::from_bitmap(&png(2_000, 500, |x, _| if x < 900 { [0; 3] } else { [255; 3] })).unwrap();
    assert_eq!((flat.width, flat.height), (945, 236));
}

#[test]
fn what_is_cut_short_or_no_picture_is_refused() {
    let whole = jpeg(300, 200, noise);
    for length in [2, 3, 10, 100, 300, 600] {
        assert!(Photograph::read(&whole[..length]).is_err(), "{length}");
    }
    // Cut in its pixels: some decoders fill up what is missing, and then it is a photograph with a grey part.
    let _ = within_time("half", || Photograph::read(&whole[..whole.len() / 2]));
    let whole = png(300, 200, noise);
    for length in [8, 20, 40, 1_000, whole.len() / 2] {
        assert!(Photograph::read(&whole[..length]).is_err(), "{length}");
        assert!(ShopMark::from_bitmap(&whole[..length]).is_err(), "{length}");
    }
    for other in [&b"GIF89a"[..], b"", b"<svg/>", b"%PDF-1.7", b"RIFF....WEBP", b"\xff\xd8"] {
        assert_eq!(
            Photograph::read(other).unwrap_err().to_string(),
            "it is no JPEG or PNG file, by what it begins with"
        );
    }
    let long = vec![0xff; (20 << 20) + 1];
    assert!(Photograph::read(&long).unwrap_err().to_string().contains("20971521 bytes; 20971520 are allowed"));
    assert_eq!(ShopMark::from_bitmap(b"<svg/>").unwrap_err().to_string(), "it is no PNG file, by what it begins with");
}

/// EXIF (CIPA DC-008): the camera is held sideways, and where it stands.
fn exif(orientation: u8) -> Vec<u8> {
    let mut tiff = b"MM\0\x2a\0\0\0\x08\0\x02".to_vec();
    tiff.extend([0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, orientation, 0, 0]);
    tiff.extend([0x88, 0x25, 0, 4, 0, 0, 0, 1, 0, 0, 0, 38]);
    tiff.extend([0, 0, 0, 0]);
    tiff.extend(b"\0\x01\0\x01\0\x02\0\0\0\x02N\0\0\0\0\0\0\0GPS 54.1234 N 8.5678 E");
    tiff
}

fn with_exif(orientation: u8) -> Vec<u8> {
    let left_is_red = |x: u32, _| if x < 100 { [255, 0, 0] } else { [0, 0, 255] };
    let mut bytes = jpeg(200, 80, left_is_red);
    let data = [b"Exif\0\0".as_slice(), &exif(orientation)].concat();
    let length = u16::try_from(data.len() + 2).unwrap().to_be_bytes();
    let remark = [&[0xff, 0xfe, 0, 15][..], b"Ben at home\0\0"].concat();
    bytes.splice(2..2, [&[0xff, 0xe1][..], &length, &data, &remark].concat());
    bytes
}

#[test]
fn where_and_by_whom_it_was_taken_is_gone_and_it_is_upright() {
    let sideways = with_exif(6);
    assert!(sideways.windows(3).any(|w| w == b"GPS"));
    let photograph = Photograph::read(&sideways).unwrap();
    let has = |text: &[u8]| photograph.jpeg.windows(text.len()).any(|window| window == text);
    assert!(![&b"GPS"[..], b"Exif", b"54.1234", b"Ben", b"http"].iter().any(|text| has(text)));
    assert_eq!((photograph.width, photograph.height), (80, 200));
    // Turned clockwise, what was on the left is on top.
    let pixels = image::load_from_memory(&photograph.jpeg).unwrap().into_rgb8();
    assert!(pixels.get_pixel(40, 20).0[0] > 200 && pixels.get_pixel(40, 180).0[2] > 200);
    check_kept(&photograph.jpeg, (80, 200)).unwrap();
    assert_eq!(Photograph::read(&with_exif(1)).unwrap().width, 200);
    // A note of the camera's that makes no sense.
    assert_eq!(Photograph::read(&with_exif(77)).unwrap().width, 200);
    // The same in a PNG, which has a chunk for it.
    let mut bytes = png(200, 80, noise);
    bytes.splice(33..33, [chunk(b"eXIf", &exif(8)), chunk(b"tEXt", b"Author\0Ben at home")].concat());
    let photograph = Photograph::read(&bytes).unwrap();
    assert_eq!((photograph.width, photograph.height), (80, 200));
    assert!(!photograph.jpeg.windows(3).any(|w| w == b"Ben"));
}

/// A file that is two things at once is one afterwards.
#[test]
fn nothing_is_left_of_what_lies_behind_the_pixels() {
    for (behind, kind) in
        [(&b"PK\x03\x04 archive"[..], "zip"), (b"<script>alert(1)</script>", "page"), (b"%PDF-1.4 1 0 obj", "PDF")]
    {
        let jpeg = [jpeg(64, 48, noise), behind.to_vec()].concat();
        let photograph = Photograph::read(&jpeg).unwrap();
        assert!(!photograph.jpeg.windows(behind.len()).any(|window| window == behind), "{kind}");
        check_kept(&photograph.jpeg, (64, 48)).unwrap();
        let png = [png(64, 48, noise), behind.to_vec()].concat();
        assert!(!Photograph::read(&png).unwrap().jpeg.windows(behind.len()).any(|window| window == behind), "{kind}");
        assert!(
            !ShopMark::from_bitmap(&png).unwrap().png.windows(behind.len()).any(|window| window == behind),
            "{kind}"
        );
    }
}

/// From another register anything may come with the right hash.
#[test]
fn what_is_kept_is_looked_at_before_it_is_shown() {
    let large = Photograph::read(&jpeg(3_000, 100, noise)).unwrap();
    assert_eq!((large.width, large.height), (SIDE_MAX, 53));
    check_kept(&large.jpeg, (SIDE_MAX, 53)).unwrap();
    assert!(check_kept(&large.jpeg, (SIDE_MAX, 54)).unwrap_err().to_string().contains("another size"));
    let why = |bytes: &[u8], size| check_kept(bytes, size).unwrap_err().to_string();
    assert!(why(&with_exif(1), (200, 80)).contains("more in it than its pixels"));
    assert!(why(&[large.jpeg.clone(), b"behind".to_vec()].concat(), (SIDE_MAX, 53)).contains("behind its end"));
    assert!(why(&large.jpeg[..large.jpeg.len() / 2], (SIDE_MAX, 53)).contains("cut short"));
    assert!(why(&jpeg(1_700, 100, noise), (1_700, 100)).contains("larger than any"));
    assert!(why(&png(64, 48, noise), (64, 48)).contains("no JPEG"));
    for length in 0..700.min(large.jpeg.len()) {
        assert!(check_kept(&large.jpeg[..length], (SIDE_MAX, 53)).is_err(), "{length}");
    }
}
