//! What the build script leaves where the pages cannot be built: pages that say what to do.

use std::{fs, path::Path};

#[path = "../../build.rs"]
#[expect(dead_code, reason = "its main runs before this is compiled")]
mod build;

/// A name that no program has.
const NO_NPM: &str = "npm-that-nobody-has";

fn page(out: &Path, name: &str) -> String {
    fs::read_to_string(out.join("pages").join(name)).unwrap()
}

#[test]
fn without_npm_each_page_says_what_to_install_and_what_does_the_same_meanwhile() {
    let out = tempfile::tempdir().unwrap();
    for (wish, npm, says) in [
        ("auto", NO_NPM, "Install Node.js 20.19 or newer"),
        ("skip", "npm", "built with THOLE_WEB=skip"),
    ] {
        build::write_pages(wish, npm, out.path()).unwrap();
        for (name, command) in [
            ("athlete.html", "thole row --link 'THIS LINK'"),
            ("board.html", "thole board --link 'THIS LINK'"),
            ("coach.html", "thole coach --link 'THIS LINK' lead"),
        ] {
            let page = page(out.path(), name);
            for part in
                ["<title>Pages not built</title>", says, command, "in quotes", "build it again"]
            {
                assert!(
                    page.to_lowercase().contains(&part.to_lowercase()),
                    "{wish}, {name}: no {part} in {page}"
                );
            }
            // The policy of the pages lets nothing inline run or show.
            assert!(
                !page.contains("<style") && !page.contains("<script"),
                "{wish}, {name}: {page}"
            );
        }
        let table = fs::read_to_string(out.path().join("pages.rs")).unwrap();
        assert_eq!(table.matches("File {").count(), 3, "{table}");
        assert!(table.contains("gzip: Some("), "{table}");
    }
}

#[test]
fn a_build_that_must_have_its_pages_fails_without_npm_and_a_wish_that_is_none_is_named() {
    let out = tempfile::tempdir().unwrap();
    let says = |wish: &str| build::write_pages(wish, NO_NPM, out.path()).err().unwrap().to_string();
    assert!(says("require").contains("install Node.js 20.19 or newer"), "{}", says("require"));
    assert!(says("sometimes").contains("it is auto, require or skip"), "{}", says("sometimes"));
    assert!(!out.path().join("pages.rs").exists());
}
