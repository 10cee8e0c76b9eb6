//! Builds the web pages with npm and writes the table of them that `src/pages.rs` includes.
//!
//! `THOLE_WEB=auto` (also when it is not set) builds them if npm is there, and otherwise puts pages in their
//! place that say how to get them; `require` makes a missing npm an error; `skip` never runs npm.

use std::{
    collections::hash_map::DefaultHasher,
    env,
    error::Error,
    fmt::Write as _,
    fs::{self, File},
    hash::{Hash, Hasher},
    io::{self, Write as _},
    path::{Path, PathBuf},
    process::{Command, ExitCode},
};

use flate2::{Compression, write::GzEncoder};

type Outcome<T> = Result<T, Box<dyn Error>>;

/// What the pages are made of, below `client/web`; what npm and the scripts write is not among it.
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

/// Keeps the athlete's page available while the server is away; it names its build, too. Missing where there
/// are no pages.
const KEEPER: &str = "keeper.js";

/// In the pages, stands where the build's name belongs.
const BUILD_MARK: &str = "__BUILD__";

fn main() -> ExitCode {
    match pages_for_this_build() {
        Ok(()) => ExitCode::SUCCESS,
        // In words: what npm said is unreadable in the form in which a returned error is printed.
        Err(error) => {
            eprintln!("{error}\n\nThe server without its pages: THOLE_WEB=skip cargo build");
            ExitCode::FAILURE
        }
    }
}

fn pages_for_this_build() -> Outcome<()> {
    println!("cargo::rerun-if-env-changed=THOLE_WEB");
    // Which language the pages speak: `client/web/vite.config.ts`.
    println!("cargo::rerun-if-env-changed=THOLE_LANGUAGE");
    let wish = env::var("THOLE_WEB").unwrap_or_else(|_| "auto".to_owned());
    let npm = if cfg!(windows) { "npm.cmd" } else { "npm" };
    write_pages(&wish, npm, Path::new(&env::var("OUT_DIR")?))
}

/// Builds the pages with this npm, or writes the ones that stand in for them, and the table of them.
pub(crate) fn write_pages(wish: &str, npm: &str, out: &Path) -> Outcome<()> {
    let web =
        Web { folder: Path::new(&env::var("CARGO_MANIFEST_DIR")?).join("../client/web"), npm };
    let pages = out.join("pages");
    println!("cargo::rerun-if-changed=../protocol/asyncapi.json");
    for source in SOURCES {
        println!("cargo::rerun-if-changed={}", web.folder.join(source).display());
    }
    match wish {
        "skip" => {
            let advice = "This server was built with THOLE_WEB=skip. Build it again without that, and with Node.js \
                          20.19 or newer installed, to have them.";
            placeholders(&pages, advice)?;
        }
        "auto" | "require" => match run(web.npm().arg("--version")) {
            Ok(()) => web.build(&pages)?,
            Err(error) if wish == "require" => {
                return Err(format!(
                    "npm is missing; install Node.js 20.19 or newer, which brings it\n{error}"
                )
                .into());
            }
            Err(_) => {
                println!("cargo::warning=npm is missing, so the web pages are not built");
                let advice = "Install Node.js 20.19 or newer, which brings npm, where this server is built, and \
                              build it again.";
                placeholders(&pages, advice)?;
                // A path that never exists makes cargo ask at every build whether npm has been installed.
                println!("cargo::rerun-if-changed={}", out.join("npm-may-come").display());
            }
        },
        other => return Err(format!("THOLE_WEB is {other}; it is auto, require or skip").into()),
    }
    write_table(&pages, &out.join("packed"), &out.join("pages.rs"))
}

/// Where the pages are made, and with what.
struct Web<'a> {
    folder: PathBuf,
    npm: &'a str,
}

impl Web<'_> {
    fn npm(&self) -> Command {
        let mut npm = Command::new(self.npm);
        npm.current_dir(&self.folder);
        npm
    }

    fn build(&self, pages: &Path) -> Outcome<()> {
        // An editor's build and a shell's share the folder of packages: they take turns.
        let turn = File::create(self.folder.join(".build-lock"))?;
        turn.lock()?;
        self.install()?;
        run(self.npm().args(["run", "build", "--", "--emptyOutDir", "--outDir"]).arg(pages))
    }

    /// Installs the packages of the lock file, unless they are there; `cargo gate` goes by the same stamp.
    fn install(&self) -> Outcome<()> {
        let wanted = fs::read(self.folder.join("package-lock.json"))?;
        let stamp = self.folder.join("node_modules/.installed-lock");
        if fs::read(&stamp).is_ok_and(|installed| installed == wanted) {
            return Ok(());
        }
        run(self.npm().args(["ci", "--no-audit", "--no-fund"]))?;
        Ok(fs::write(stamp, wanted)?)
    }
}

/// Runs a program; returns what it said if it failed.
fn run(command: &mut Command) -> Outcome<()> {
    let ended = command.output().map_err(|why| format!("{command:?} could not be run: {why}"))?;
    if ended.status.success() {
        return Ok(());
    }
    let (said, complained) =
        (String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
    Err(format!("{command:?} failed:\n{said}{complained}").into())
}

fn placeholders(pages: &Path, advice: &str) -> Outcome<()> {
    emptied(pages)?;
    for (page, command) in [
        ("athlete.html", "thole row --link 'THIS LINK'"),
        ("board.html", "thole board --link 'THIS LINK'"),
        ("coach.html", "thole coach --link 'THIS LINK' lead"),
    ] {
        let text = format!(
            "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>Pages not built</title>\
             <meta name=\"viewport\" content=\"width=device-width\"><link rel=\"icon\" href=\"data:,\">\
             <h1>Pages not built</h1><p>{advice}</p><p>Until then the program for the command line does the \
             same, with this whole link in quotes:</p><p><code>{command}</code></p></html>"
        );
        fs::write(pages.join(page), text)?;
    }
    Ok(())
}

/// One line per file, sorted by path, with the build's name put into the pages; what compression makes
/// smaller is there compressed, too.
fn write_table(pages: &Path, packed: &Path, table: &Path) -> Outcome<()> {
    let mut files = Vec::new();
    collect(pages, &mut files)?;
    files.sort();
    let mut hasher = DefaultHasher::new();
    for file in &files {
        fs::read(file)?.hash(&mut hasher);
    }
    let build = format!("{}+{:08x}", env::var("CARGO_PKG_VERSION")?, hasher.finish() >> 32);
    for named in PAGES.into_iter().chain([KEEPER]) {
        let file = pages.join(named);
        if named == KEEPER && !file.exists() {
            continue;
        }
        fs::write(&file, fs::read_to_string(&file)?.replace(BUILD_MARK, &build))?;
    }
    let mut text = format!(
        "/// Which build this is: the version, and what its pages are. A page of another build loads itself anew.\n\
         pub const BUILD: &str = {build:?};\n\nstatic FILES: &[File] = &[\n"
    );
    emptied(packed)?;
    for (nth, file) in files.iter().enumerate() {
        let path = file.strip_prefix(pages)?.to_str().ok_or("a page's name is no UTF-8")?;
        let path = path.replace('\\', "/");
        let media = media(&path)?;
        let gzip = match gzip(file, &packed.join(format!("{nth}.gz")))? {
            Some(packed) => format!("Some(include_bytes!({packed:?}))"),
            None => "None".to_owned(),
        };
        writeln!(
            text,
            "File {{ path: \"/{path}\", media: {media:?}, body: include_bytes!({file:?}), gzip: {gzip} }},"
        )?;
    }
    text.push_str("];\n");
    Ok(fs::write(table, text)?)
}

/// Writes a file compressed; `None` for one that does not shrink by a tenth, such as a font.
fn gzip(file: &Path, packed: &Path) -> Outcome<Option<PathBuf>> {
    let plain = fs::read(file)?;
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(&plain)?;
    let small = encoder.finish()?;
    if small.len() >= plain.len() - plain.len() / 10 {
        return Ok(None);
    }
    fs::write(packed, small)?;
    Ok(Some(packed.to_owned()))
}

/// Empties a folder, or creates it.
fn emptied(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        Err(_) | Ok(()) => fs::create_dir_all(folder),
    }
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
