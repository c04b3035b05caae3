//! Small displays, looked at from outside: the file by an independent decoder (Pillow),
//! the picture by an engine that reads letters (Tesseract).

use crate::settings::{token, write};
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use std::path::Path;
use std::process::Command;
use std::time::{SystemTime, UNIX_EPOCH};

/// Width, height and bits a pixel, in the order of the query.
type Size = (u32, u32, u8);

fn fetch(program: &Program, (width, height, depth): Size, file: &Path) {
    let path = format!("/display/orchard.png?width={width}&height={height}&depth={depth}");
    let mut answer = ureq::get(format!("http://{}{path}", program.address("http"))).call().unwrap();
    assert_eq!(answer.headers()["content-type"], "image/png");
    std::fs::write(file, answer.body_mut().read_to_vec().unwrap()).unwrap();
}

/// What Pillow finds in a file: width, height, bits a pixel, number of grey levels in use.
fn decoded(file: &Path) -> (u32, u32, u8, u32) {
    let script = "import sys\nfrom PIL import Image\ni=Image.open(sys.argv[1])\nraw=i.tile[0][3]\n\
        bits={'1':1,'L;2':2,'L;4':4,'L':8}[raw]\ni.load()\n\
        print(*i.size,bits,len(i.convert('L').getcolors()))";
    let python = std::env::var("ISOBARN_TESTS_PYTHON").unwrap_or_else(|_| "python3".into());
    let output = Command::new(python).args(["-c", script]).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let said = String::from_utf8(output.stdout).unwrap();
    let mut numbers = said.split_whitespace().map(|n| n.parse::<u32>().unwrap());
    let mut next = || numbers.next().unwrap();
    (next(), next(), next() as u8, next())
}

/// The words that Tesseract reads, wherever they stand in the picture.
fn read(file: &Path) -> Vec<String> {
    let output = Command::new("tesseract")
        .arg(file)
        .args(["-", "--psm", "11"])
        .output()
        .expect("tesseract-ocr is installed: tests/run --install");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().split_whitespace().map(str::to_owned).collect()
}

fn push(client: &Client, program: &Program, celsius: f64) {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis();
    let now = now as f64 / 1_000.0;
    let body = format!(r#"[{{"n":"orchard/t","u":"Cel","t":{now:.3},"v":{celsius}}}]"#);
    let answer = client.senml(program.address("push"), token("orchard"), &body);
    assert_eq!(answer.status, 204, "{}", answer.body);
    until("the value", || {
        let latest = client.get(program.address("http"), "/display/orchard.json").body;
        latest.contains(&celsius.to_string()).then_some(())
    });
}

#[test]
fn an_independent_decoder_finds_the_size_and_the_depth_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::run(&write(folder.path(), ""));
    let client = Client::new();
    push(&client, &program, 12.3);
    let file = folder.path().join("display.png");
    for depth in [1, 2, 4, 8] {
        for (width, height) in [(400, 300), (300, 400), (250, 122), (33, 1_999)] {
            fetch(&program, (width, height, depth), &file);
            let (wide, high, bits, greys) = decoded(&file);
            assert_eq!((wide, high, bits), (width, height, depth));
            assert!((2..=1_u32 << depth).contains(&greys), "{greys} greys of {depth} bits");
        }
    }
}

#[test]
fn the_temperature_is_read_back_from_a_picture_of_one_bit() {
    let client = Client::new();
    for celsius in [9.3, 17.4, 26.8, -5.2] {
        // A service of its own: from one to the next no air jumps.
        let folder = tempfile::tempdir().unwrap();
        let program = Program::run(&write(folder.path(), ""));
        let file = folder.path().join("display.png");
        push(&client, &program, celsius);
        for (width, height) in [(400, 300), (300, 400), (296, 240)] {
            fetch(&program, (width, height, 1), &file);
            let words = read(&file);
            // A degree sign may be taken for a stroke or a dot: the figure is what counts.
            let figure = |word: &String| {
                word.trim_end_matches(|c: char| !c.is_ascii_digit())
                    .replace(['\u{2212}', '\u{2014}'], "-")
            };
            let wanted = celsius.to_string();
            assert!(words.iter().any(|w| figure(w) == wanted), "{celsius} at {width}: {words:?}");
        }
    }
}
