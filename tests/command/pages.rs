//! The pages of the documentation.
//!
//! Goal: pages stay short enough to read and lead somewhere. Method: every Markdown file of the
//! repository is taken apart into headings, paragraphs and links; what the pages say is checked
//! elsewhere (`walkthrough`, `quick_start` of the store, `sessions` of the firmware).

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Longest README in lines, and its longest line in columns.
const README: (usize, usize) = (120, 120);
/// Longest paragraph in words.
const PARAGRAPH: usize = 120;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All Markdown files below the folder, except in build folders and hidden ones.
fn pages(folder: &Path, found: &mut BTreeMap<PathBuf, String>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let entry = entry.expect("an entry");
        let (path, name) = (entry.path(), entry.file_name().to_string_lossy().into_owned());
        if name == "target" || name.starts_with('.') {
        } else if path.is_dir() {
            pages(&path, found);
        } else if name.ends_with(".md") {
            found.insert(path.clone(), fs::read_to_string(&path).expect("text"));
        }
    }
}

fn all_pages() -> BTreeMap<PathBuf, String> {
    let mut found = BTreeMap::new();
    pages(root(), &mut found);
    found
}

/// The lines outside blocks of code.
fn prose(text: &str) -> impl Iterator<Item = &str> {
    let mut is_code = false;
    text.lines().filter(move |line| {
        let is_fence = line.trim_start().starts_with("```");
        is_code ^= is_fence;
        !is_code && !is_fence
    })
}

/// The anchor of a heading, as web pages of repositories generate it.
fn anchor(heading: &str) -> String {
    let kept = heading.trim().to_lowercase();
    let kept = kept.chars().filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_'));
    kept.map(|c| if c == ' ' { '-' } else { c }).collect()
}

fn has_anchor(text: &str, wanted: &str) -> bool {
    prose(text).filter(|line| line.starts_with('#')).any(|line| {
        let heading = line.trim_start_matches('#');
        anchor(heading) == wanted
    })
}

/// The targets of the links in a line.
fn links(line: &str) -> impl Iterator<Item = &str> {
    line.split("](").skip(1).filter_map(|rest| rest.split_once(')')).map(|(target, _)| target)
}

#[test]
fn every_relative_link_leads_to_a_file_and_a_heading() {
    let pages = all_pages();
    let (mut dead, mut seen) = (Vec::new(), 0);
    for (page, text) in &pages {
        let here = page.parent().expect("a folder");
        for target in prose(text).flat_map(links).filter(|target| !target.contains("://")) {
            seen += 1;
            let (file, heading) = target.split_once('#').unwrap_or((target, ""));
            let path = if file.is_empty() { page.clone() } else { here.join(file) };
            let is_there = match path.canonicalize() {
                Err(_) => false,
                Ok(_) if heading.is_empty() => true,
                Ok(path) => pages.get(&path).is_some_and(|text| has_anchor(text, heading)),
            };
            if !is_there {
                dead.push(format!("{}: {target}", page.display()));
            }
        }
    }
    assert!(dead.is_empty(), "{dead:#?}");
    assert!(seen > 40, "{seen}");
}

#[test]
fn the_readme_fits_a_screen() {
    let text = fs::read_to_string(root().join("README.md")).expect("the README");
    assert!(text.lines().count() <= README.0, "{} lines", text.lines().count());
    // The result line of the rig is quoted unbroken, however long it is.
    let is_long = |line: &&str| line.chars().count() > README.1 && !line.starts_with("torture: ");
    assert_eq!(text.lines().find(is_long), None);
}

/// Words of each paragraph, list item and quotation. Headings and rows of tables do not count.
fn paragraphs(text: &str) -> Vec<(usize, String)> {
    let mut found = vec![String::new()];
    for line in prose(text) {
        let line = line.trim();
        let number = line.split_once(". ").is_some_and(|(n, _)| n.parse::<u32>().is_ok());
        if line.is_empty() || line.starts_with(['|', '#', '-', '*', '>']) || number {
            found.push(String::new());
        }
        if !line.starts_with(['|', '#']) {
            let paragraph = found.last_mut().expect("there is one");
            paragraph.push_str(line);
            paragraph.push(' ');
        }
    }
    found.into_iter().map(|text| (text.split_whitespace().count(), text)).collect()
}

#[test]
fn no_paragraph_is_a_page() {
    let pages = all_pages();
    let docs = root().join("docs");
    let ours = |page: &&PathBuf| page.parent() == Some(root()) || page.starts_with(&docs);
    for page in pages.keys().filter(ours) {
        for (words, text) in paragraphs(&pages[page]) {
            assert!(words <= PARAGRAPH, "{}: {words} words: {text}", page.display());
        }
    }
}
