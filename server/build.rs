//! Builds the web pages with npm and writes the table of them that `src/pages.rs` includes.
//!
//! `THOLE_WEB=auto` (when it is not set) builds them if npm is there, and else puts pages in their
//! place that say how to get them; `require` makes a missing npm an error; `skip` never runs npm.

use std::{
    collections::hash_map::DefaultHasher,
    env,
    error::Error,
    fmt::Write as _,
    fs::{self, File},
    hash::{Hash, Hasher},
    io,
    path::{Path, PathBuf},
    process::{Command, ExitCode},
};

type Outcome<T> = Result<T, Box<dyn Error>>;

/// What the pages are made of, below `client/web`; what npm and the scripts write is none of it.
const SOURCES: [&str; 11] = [
    "src",
    "public",
    "scripts",
    "coach.html",
    "athlete.html",
    "board.html",
    "package.json",
    "package-lock.json",
    "tsconfig.json",
    "vite.config.ts",
    "svelte.config.js",
];

/// The pages that everything else is reached from.
const PAGES: [&str; 3] = ["athlete.html", "board.html", "coach.html"];

/// Stands in the pages where the build's name belongs.
const BUILD_MARK: &str = "__BUILD__";

fn main() -> ExitCode {
    match write_pages() {
        Ok(()) => ExitCode::SUCCESS,
        // In words: what npm said is not readable in the form that a returned error is printed in.
        Err(error) => {
            eprintln!("{error}\n\nThe server without its pages: THOLE_WEB=skip cargo build");
            ExitCode::FAILURE
        }
    }
}

fn write_pages() -> Outcome<()> {
    let web = Path::new(&env::var("CARGO_MANIFEST_DIR")?).join("../client/web");
    let out = PathBuf::from(env::var("OUT_DIR")?);
    let pages = out.join("pages");
    println!("cargo::rerun-if-env-changed=THOLE_WEB");
    println!("cargo::rerun-if-changed=../protocol/asyncapi.json");
    for source in SOURCES {
        println!("cargo::rerun-if-changed={}", web.join(source).display());
    }
    match env::var("THOLE_WEB").as_deref().unwrap_or("auto") {
        "skip" => placeholders(&pages, "They were left out when this server was built.")?,
        wish @ ("auto" | "require") => match run(npm(&web).arg("--version")) {
            Ok(()) => build(&web, &pages)?,
            Err(error) if wish == "require" => return Err(error),
            Err(_) => {
                println!("cargo::warning=npm is missing, so the web pages are not built");
                let advice = "Install Node.js 20.19 or newer where this server is built, and build it again.";
                placeholders(&pages, advice)?;
                // A path that is never there makes cargo ask at every build whether npm has come.
                println!("cargo::rerun-if-changed={}", out.join("npm-may-come").display());
            }
        },
        other => return Err(format!("THOLE_WEB is {other}; it is auto, require or skip").into()),
    }
    write_table(&pages, &out.join("pages.rs"))
}

fn npm(web: &Path) -> Command {
    let mut npm = Command::new(if cfg!(windows) { "npm.cmd" } else { "npm" });
    npm.current_dir(web);
    npm
}

/// Runs a program; what it said, when it failed.
fn run(command: &mut Command) -> Outcome<()> {
    let ended = command.output().map_err(|why| format!("{command:?} could not be run: {why}"))?;
    if ended.status.success() {
        return Ok(());
    }
    let (said, complained) =
        (String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
    Err(format!("{command:?} failed:\n{said}{complained}").into())
}

fn build(web: &Path, pages: &Path) -> Outcome<()> {
    // An editor's build and a shell's share the folder of packages: one after the other.
    let turn = File::create(web.join(".build-lock"))?;
    turn.lock()?;
    install(web)?;
    run(npm(web).args(["run", "build", "--", "--emptyOutDir", "--outDir"]).arg(pages))
}

/// The packages of the lock file, unless they are there; `cargo gate` goes by the same stamp.
fn install(web: &Path) -> Outcome<()> {
    let wanted = fs::read(web.join("package-lock.json"))?;
    let stamp = web.join("node_modules/.installed-lock");
    if fs::read(&stamp).is_ok_and(|installed| installed == wanted) {
        return Ok(());
    }
    run(npm(web).args(["ci", "--no-audit", "--no-fund"]))?;
    Ok(fs::write(stamp, wanted)?)
}

fn placeholders(pages: &Path, advice: &str) -> Outcome<()> {
    match fs::remove_dir_all(pages) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error.into()),
        Err(_) | Ok(()) => fs::create_dir_all(pages)?,
    }
    for (page, command) in [
        ("athlete.html", "thole row --link 'THIS LINK'"),
        ("board.html", "thole board --link 'THIS LINK'"),
        ("coach.html", "thole coach --link 'THIS LINK' lead"),
    ] {
        let text = format!(
            "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>Pages not built</title>\
             <meta name=\"viewport\" content=\"width=device-width\"><link rel=\"icon\" href=\"data:,\">\
             <h1>Pages not built</h1><p>{advice}</p><p>The program for the command line does the same, \
             with this whole link in quotes:</p><p><code>{command}</code></p></html>"
        );
        fs::write(pages.join(page), text)?;
    }
    Ok(())
}

/// One line a file, sorted by path, with the build's name put into the pages.
fn write_table(pages: &Path, table: &Path) -> Outcome<()> {
    let mut files = Vec::new();
    collect(pages, &mut files)?;
    files.sort();
    let mut hasher = DefaultHasher::new();
    for file in &files {
        fs::read(file)?.hash(&mut hasher);
    }
    let build = format!("{}+{:08x}", env::var("CARGO_PKG_VERSION")?, hasher.finish() >> 32);
    for page in PAGES {
        let file = pages.join(page);
        fs::write(&file, fs::read_to_string(&file)?.replace(BUILD_MARK, &build))?;
    }
    let mut text = format!(
        "/// Which build this is: the version, and what its pages are. A page of another build loads itself anew.\n\
         pub const BUILD: &str = {build:?};\n\nstatic FILES: &[File] = &[\n"
    );
    for file in files {
        let path = file.strip_prefix(pages)?.to_str().ok_or("a page's name is no UTF-8")?;
        let path = path.replace('\\', "/");
        let media = media(&path)?;
        writeln!(
            text,
            "File {{ path: \"/{path}\", media: {media:?}, body: include_bytes!({file:?}) }},"
        )?;
    }
    text.push_str("];\n");
    Ok(fs::write(table, text)?)
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> Outcome<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            collect(&path, files)?;
        } else {
            files.push(path);
        }
    }
    Ok(())
}

fn media(path: &str) -> Outcome<&'static str> {
    let (_, ending) = path.rsplit_once('.').unwrap_or_default();
    Ok(match ending {
        "html" => "text/html; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "svg" => "image/svg+xml",
        "woff2" => "font/woff2",
        "png" => "image/png",
        "webmanifest" => "application/manifest+json",
        "txt" => "text/plain; charset=utf-8",
        _ => return Err(format!("{path}: its media type is not known to server/build.rs").into()),
    })
}
