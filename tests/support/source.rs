//! Rust source as the house's own tests read it: comments and strings blanked, paths taken apart, functions with
//! their docs. It reads what rustfmt writes, which is all there is in this house, and no macro is expanded.

#![allow(dead_code, reason = "each test that includes this file uses a part of it")]

use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// One file.
pub(crate) struct Source {
    /// Its path from the root that was asked for, with slashes.
    pub(crate) name: String,
    /// The text as it is.
    pub(crate) text: String,
    /// The text with every comment, string and character blanked out, of the same length and lines.
    pub(crate) code: String,
    /// The parts that only tests see.
    tests: Vec<Range<usize>>,
}

/// A path such as `crate::units::Frames`, each leaf of a `use` by itself.
pub(crate) struct CodePath {
    /// Where it stands in the text.
    pub(crate) offset: usize,
    /// Its segments.
    pub(crate) segments: Vec<String>,
}

/// A function with its docs.
pub(crate) struct Function {
    /// Its name.
    pub(crate) name: String,
    /// The line of its `fn`, counted from 1.
    pub(crate) line: usize,
    /// Whether it is `pub`, to everyone.
    pub(crate) public: bool,
    /// Its doc comment, line by line.
    pub(crate) docs: Vec<String>,
    /// What stands between its braces.
    pub(crate) body: Range<usize>,
}

/// Every Rust file under `root/folder`, in order, named from `root`.
pub(crate) fn read_all(root: &Path, folder: &str) -> Vec<Source> {
    let mut files = Vec::new();
    collect(&root.join(folder), &mut files);
    files.sort();
    assert!(!files.is_empty(), "no source under {}", root.join(folder).display());
    let read = |file: &PathBuf| {
        let name = file.strip_prefix(root).expect("below the root").to_str().expect("a name in UTF-8");
        Source::new(name, &fs::read_to_string(file).expect("source is readable text"))
    };
    files.iter().map(read).collect()
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("the folder is there") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
}

impl Source {
    /// Takes a text apart.
    pub(crate) fn new(name: &str, text: &str) -> Self {
        let code = blanked(text);
        let file = name.rsplit('/').next().unwrap_or(name);
        let everything = 0..text.len();
        let tests = if file == "tests.rs" { Vec::from([everything]) } else { test_items(&code) };
        Self { name: name.to_owned(), text: text.to_owned(), code, tests }
    }

    /// The line of a place, counted from 1.
    pub(crate) fn line(&self, offset: usize) -> usize {
        self.text[..offset].matches('\n').count() + 1
    }

    /// Whether only tests see this place.
    pub(crate) fn is_test(&self, offset: usize) -> bool {
        self.tests.iter().any(|range| range.contains(&offset))
    }

    /// The modules that a place is in, from the root of the crate.
    pub(crate) fn module(&self, offset: usize) -> Vec<String> {
        let path = self.name.strip_prefix("src/").unwrap_or(&self.name).trim_end_matches(".rs");
        let mut module: Vec<String> = path.split('/').map(str::to_owned).collect();
        if module.last().is_some_and(|last| last == "mod") || module == ["lib"] {
            module.pop();
        }
        for start in words(&self.code, "mod") {
            let rest = self.code[start + 3..].trim_start();
            let name = identifier(rest);
            if !name.is_empty() && rest[name.len()..].trim_start().starts_with('{') {
                let open = start + self.code[start..].find('{').expect("seen just now");
                if start < offset && offset < closing(&self.code, open) {
                    module.push(name.to_owned());
                }
            }
        }
        module
    }

    /// Every path in the file, `use` trees unfolded.
    pub(crate) fn paths(&self) -> Vec<CodePath> {
        let mut paths = Vec::new();
        let mut in_use: Vec<Range<usize>> = Vec::new();
        for start in words(&self.code, "use") {
            let end = start + self.code[start..].find(';').unwrap_or(0);
            let mut at = start + 3;
            // `impl Trait + use<'a>` is no import.
            if !self.code[at..].trim_start().starts_with('<') {
                unfold(&self.code[..end], &mut at, &[], &mut paths);
                in_use.push(start..end);
            }
        }
        let bytes = self.code.as_bytes();
        let mut at = 0;
        while at < bytes.len() {
            if let Some(range) = in_use.iter().find(|range| range.contains(&at)) {
                at = range.end;
                continue;
            }
            let name = identifier(&self.code[at..]);
            if name.is_empty() {
                at += 1;
                continue;
            }
            let offset = at;
            let mut segments = vec![name.to_owned()];
            at += name.len();
            while let Some(rest) = self.code[at..].strip_prefix("::") {
                let next = identifier(rest);
                if next.is_empty() {
                    break;
                }
                segments.push(next.to_owned());
                at += 2 + next.len();
            }
            if segments.len() > 1 {
                paths.push(CodePath { offset, segments });
            }
        }
        paths
    }

    /// Every function that is not only for tests.
    pub(crate) fn functions(&self) -> Vec<Function> {
        let lines: Vec<&str> = self.text.lines().collect();
        let mut functions = Vec::new();
        for start in words(&self.code, "fn") {
            let name = identifier(self.code[start + 2..].trim_start());
            if name.is_empty() || self.is_test(start) {
                // A function pointer, or a test.
                continue;
            }
            let line = self.line(start);
            let line_start = self.code[..start].rfind('\n').map_or(0, |newline| newline + 1);
            let before = &self.code[line_start..start];
            let public = words(before, "pub").any(|at| !before[at + 3..].starts_with('('));
            let end = item_end(&self.code, start);
            let body = match self.code[start..end].find('{') {
                Some(open) => start + open + 1..end,
                None => end..end,
            };
            functions.push(Function { name: name.to_owned(), line, public, docs: docs_above(&lines, line), body });
        }
        functions
    }
}

/// Where a word stands alone.
pub(crate) fn words<'a>(code: &'a str, word: &'a str) -> impl Iterator<Item = usize> + 'a {
    code.match_indices(word).map(|(at, _)| at).filter(move |&at| {
        let before = code[..at].chars().next_back();
        let after = code[at + word.len()..].chars().next();
        !before.is_some_and(is_name) && !after.is_some_and(is_name)
    })
}

/// Whether a name may hold this.
pub(crate) fn is_name(character: char) -> bool {
    character.is_alphanumeric() || character == '_'
}

/// The name that a text begins with, or nothing.
fn identifier(code: &str) -> &str {
    let end = code.find(|character| !is_name(character)).unwrap_or(code.len());
    &code[..end]
}

fn unfold(code: &str, at: &mut usize, prefix: &[String], paths: &mut Vec<CodePath>) {
    let skip = |at: &mut usize| *at += code[*at..].len() - code[*at..].trim_start().len();
    skip(at);
    if code[*at..].starts_with("::") {
        *at += 2;
    }
    if code[*at..].starts_with('{') {
        *at += 1;
        loop {
            skip(at);
            match code[*at..].chars().next() {
                Some(',') => *at += 1,
                Some('}') => break *at += 1,
                Some(_) => unfold(code, at, prefix, paths),
                None => break,
            }
        }
        return;
    }
    let offset = *at;
    let name = if code[*at..].starts_with('*') { "*" } else { identifier(&code[*at..]) };
    *at += name.len().max(1);
    let mut segments = prefix.to_vec();
    segments.push(name.to_owned());
    skip(at);
    if code.get(*at..).is_some_and(|rest| rest.starts_with("::")) {
        *at += 2;
        unfold(code, at, &segments, paths);
        return;
    }
    if code.get(*at..).is_some_and(|rest| rest.starts_with("as ")) {
        *at += 3;
        skip(at);
        *at += identifier(&code[*at..]).len();
    }
    paths.push(CodePath { offset, segments });
}

fn docs_above(lines: &[&str], line: usize) -> Vec<String> {
    let mut docs = Vec::new();
    let mut above = line - 1;
    while above > 0 {
        let text = lines[above - 1].trim();
        if let Some(doc) = text.strip_prefix("///") {
            docs.push(doc.trim().to_owned());
        } else if text.ends_with(']') && !text.starts_with("#[") {
            // The end of an attribute of several lines.
            while above > 1 && !lines[above - 1].trim().starts_with("#[") {
                above -= 1;
            }
        } else if !text.starts_with("#[") && !text.starts_with("//") {
            break;
        }
        above -= 1;
    }
    docs.reverse();
    docs
}

/// The brace that closes the one at `open`, or the end.
fn closing(code: &str, open: usize) -> usize {
    let mut depth = 0;
    for (at, byte) in code.bytes().enumerate().skip(open) {
        match byte {
            b'{' => depth += 1,
            b'}' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return at;
        }
    }
    code.len()
}

/// Where the item that begins at `start` ends: at its semicolon or its closing brace.
fn item_end(code: &str, start: usize) -> usize {
    let mut depth = 0;
    for (at, byte) in code.bytes().enumerate().skip(start) {
        match byte {
            b'(' | b'[' => depth += 1,
            b')' | b']' => depth -= 1,
            b';' if depth == 0 => return at,
            b'{' if depth == 0 => return closing(code, at),
            _ => {}
        }
    }
    code.len()
}

fn test_items(code: &str) -> Vec<Range<usize>> {
    let marks = code.match_indices("#[cfg(test)]").chain(code.match_indices("#[cfg(all(test"));
    marks.map(|(at, _)| at..item_end(code, at)).collect()
}

fn blanked(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut code = bytes.to_vec();
    let mut at = 0;
    while at < bytes.len() {
        let rest = &bytes[at..];
        let begins_word = at == 0 || !is_name(char::from(bytes[at - 1]));
        let length = if rest.starts_with(b"//") {
            rest.iter().position(|&byte| byte == b'\n').unwrap_or(rest.len())
        } else if rest.starts_with(b"/*") {
            block_comment(rest)
        } else if let Some(length) = raw_string(rest).filter(|_| begins_word) {
            length
        } else if rest[0] == b'"' {
            quoted(rest)
        } else if rest[0] == b'\'' {
            character(rest)
        } else {
            at += 1;
            continue;
        };
        for byte in &mut code[at..at + length] {
            if *byte != b'\n' {
                *byte = b' ';
            }
        }
        at += length;
    }
    // Whatever is not ASCII and not blanked is kept whole.
    String::from_utf8(code).expect("whole comments and strings were blanked")
}

fn block_comment(rest: &[u8]) -> usize {
    let (mut at, mut depth) = (0, 0);
    while at < rest.len() {
        if rest[at..].starts_with(b"/*") {
            (at, depth) = (at + 2, depth + 1);
        } else if rest[at..].starts_with(b"*/") {
            (at, depth) = (at + 2, depth - 1);
            if depth == 0 {
                return at;
            }
        } else {
            at += 1;
        }
    }
    at
}

fn raw_string(rest: &[u8]) -> Option<usize> {
    let prefix = [&b"r"[..], b"br", b"cr"].into_iter().find(|&prefix| rest.starts_with(prefix))?.len();
    let hashes = rest[prefix..].iter().take_while(|&&byte| byte == b'#').count();
    let open = prefix + hashes;
    if rest.get(open) != Some(&b'"') {
        return None;
    }
    let end = [&b"\""[..], &vec![b'#'; hashes]].concat();
    let inside = &rest[open + 1..];
    let length = inside.windows(end.len()).position(|window| window == end).unwrap_or(inside.len() - end.len());
    Some(open + 1 + length + end.len())
}

fn quoted(rest: &[u8]) -> usize {
    let mut at = 1;
    while at < rest.len() {
        match rest[at] {
            b'\\' => at += 2,
            b'"' => return at + 1,
            _ => at += 1,
        }
    }
    rest.len()
}

/// The length of a character, or 1 for the tick of a lifetime or a loop's name.
fn character(rest: &[u8]) -> usize {
    if rest.get(1) == Some(&b'\\') {
        // The escaped character may itself be a tick.
        return rest.iter().skip(3).position(|&byte| byte == b'\'').map_or(1, |tick| tick + 4);
    }
    let text = std::str::from_utf8(&rest[1..rest.len().min(6)]);
    let valid = text.map_or_else(|error| error.valid_up_to(), str::len);
    let first = std::str::from_utf8(&rest[1..=valid]).ok().and_then(|text| text.chars().next());
    match first.map(char::len_utf8) {
        Some(length) if rest.get(1 + length) == Some(&b'\'') => length + 2,
        _ => 1,
    }
}

/// Compares what a check found in planted sources with the marks in them: `//~ words` at the end of a line says that an
/// offence with these words is to be named there. Nothing else may be found.
pub(crate) fn assert_named(sources: &[Source], found: &[String]) {
    let mut missing = Vec::new();
    let mut unexpected = found.to_vec();
    let mut marks = 0;
    for source in sources {
        for (index, line) in source.text.lines().enumerate() {
            let place = format!("{}:{}:", source.name, index + 1);
            for mark in line.split("//~").skip(1).map(str::trim) {
                marks += 1;
                match unexpected.iter().position(|offence| offence.starts_with(&place) && offence.contains(mark)) {
                    Some(named) => drop(unexpected.remove(named)),
                    None => missing.push(format!("{place} {mark}")),
                }
            }
        }
    }
    assert!(marks > 0, "nothing was planted");
    assert!(
        missing.is_empty() && unexpected.is_empty(),
        "planted but not named:\n{missing:#?}\nnamed but not planted:\n{unexpected:#?}"
    );
}
