//! Reads the modules of a package from its source text: what each file names, and where that is defined.
//!
//! Input: the folder `src`. Output: arrows from file to file, circles of files.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// A path as its parts, from the root of the package.
type Names = Vec<String>;

/// One module.
#[derive(Debug, Default)]
struct Module {
    /// The file in which it stands, from `src/`.
    file: String,
    /// Modules inside.
    children: BTreeSet<String>,
    /// Names that `use` brings in, and what they stand for.
    imports: BTreeMap<String, Names>,
    /// Paths from the root that it names, re-exports left out.
    names: BTreeSet<Names>,
    /// First parts of paths that are no module and no import: packages among them.
    outside: BTreeSet<String>,
}

/// One file that names something of another.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Arrow {
    /// Who names.
    pub(super) from: String,
    /// Where it is defined.
    pub(super) to: String,
    /// What is named.
    pub(super) name: String,
}

impl Arrow {
    pub(super) fn left_room(&self) -> &str {
        room_of(&self.from)
    }

    pub(super) fn entered_room(&self) -> &str {
        room_of(&self.to)
    }
}

/// The room in which a file stands: the first part of its path.
pub(super) fn room_of(file: &str) -> &str {
    let first = file.split('/').next().unwrap_or(file);
    first.strip_suffix(".rs").unwrap_or(first)
}

/// All modules of a package by their path.
#[derive(Debug, Default)]
pub(super) struct House {
    modules: BTreeMap<Names, Module>,
}

impl House {
    /// Reads the package whose `lib.rs` stands in this folder.
    pub(super) fn read(src: &Path) -> Self {
        let mut house = Self::default();
        house.read_file(src, &src.join("lib.rs"), Vec::new());
        house
    }

    fn read_file(&mut self, src: &Path, file: &Path, path: Names) {
        let text = fs::read_to_string(file)
            .unwrap_or_else(|e| panic!("{}: {e}", packside_profiles::shown(&file)));
        let tokens: TokenStream = text
            .parse()
            .unwrap_or_else(|e| panic!("{}: {e}", packside_profiles::shown(&file)));
        let shown = file.strip_prefix(src).expect("below src");
        let shown = packside_profiles::shown(shown).replace('\\', "/");
        let is_root = ["lib.rs", "mod.rs"].iter().any(|name| file.ends_with(name));
        let inside = if is_root {
            file.with_file_name("")
        } else {
            file.with_extension("")
        };
        let mut reader = Reader {
            file: shown,
            below: Vec::new(),
            house: self,
        };
        reader.module(tokens, path);
        for child in std::mem::take(&mut reader.below) {
            let name = child.last().expect("a module has a name");
            let candidates: [PathBuf; 2] = [
                inside.join(format!("{name}.rs")),
                inside.join(name).join("mod.rs"),
            ];
            let found = candidates.iter().find(|file| file.exists());
            let found = found.unwrap_or_else(|| panic!("no file for {child:?}"));
            self.read_file(src, found, child);
        }
    }

    /// The file in which what a path names is defined, as far as modules and `use` lines tell.
    fn defined_in(&self, path: &[String], depth: usize) -> Option<&str> {
        let mut module = self.modules.get(&Vec::new())?;
        for (at, name) in path.iter().enumerate() {
            if module.children.contains(name) {
                module = self.modules.get(path.get(..=at)?)?;
            } else if let Some(import) = module.imports.get(name).filter(|_| depth < 8) {
                let mut rest = import.clone();
                rest.extend_from_slice(path.get(at + 1..)?);
                return self.defined_in(&rest, depth + 1);
            } else {
                break;
            }
        }
        Some(&module.file)
    }

    /// Every file that names something of another one.
    pub(super) fn arrows(&self) -> BTreeSet<Arrow> {
        let mut arrows = BTreeSet::new();
        for module in self.modules.values() {
            for name in &module.names {
                let to = self.defined_in(name, 0).expect("paths begin at the root");
                if to != module.file {
                    let (from, to, name) = (module.file.clone(), to.to_owned(), name.join("::"));
                    arrows.insert(Arrow { from, to, name });
                }
            }
        }
        arrows
    }

    /// Files whose modules name this package.
    pub(super) fn naming(&self, package: &str) -> BTreeSet<String> {
        let modules = self.modules.values();
        let named = modules.filter(|module| module.outside.contains(package));
        named.map(|module| module.file.clone()).collect()
    }

    /// Sets of files of one room that reach each other.
    pub(super) fn circles(&self) -> Vec<BTreeSet<String>> {
        let mut next: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        for arrow in self
            .arrows()
            .into_iter()
            .filter(|a| a.left_room() == a.entered_room())
        {
            next.entry(arrow.from).or_default().insert(arrow.to);
        }
        let reached = |from: &String| {
            let mut seen = BTreeSet::new();
            let mut open = vec![from.clone()];
            while let Some(file) = open.pop() {
                for to in next.get(&file).into_iter().flatten() {
                    if seen.insert(to.clone()) {
                        open.push(to.clone());
                    }
                }
            }
            seen
        };
        let reach: BTreeMap<&String, BTreeSet<String>> =
            next.keys().map(|file| (file, reached(file))).collect();
        let circles: BTreeSet<BTreeSet<String>> = reach
            .iter()
            .filter(|(file, seen)| seen.contains(**file))
            .map(|(file, seen)| {
                let back = seen
                    .iter()
                    .filter(|to| reach.get(to).is_some_and(|r| r.contains(*file)));
                back.cloned().collect()
            })
            .collect();
        circles.into_iter().collect()
    }
}

/// Reads the modules of one file.
struct Reader<'a> {
    file: String,
    /// Modules that stand in files of their own.
    below: Vec<Names>,
    house: &'a mut House,
}

impl Reader<'_> {
    fn module(&mut self, tokens: TokenStream, path: Names) {
        let module = Module {
            file: self.file.clone(),
            ..Module::default()
        };
        self.house.modules.insert(path.clone(), module);
        let tokens: Vec<TokenTree> = tokens.into_iter().collect();
        self.children(&tokens, &path);
        self.body(&tokens, &path);
    }

    fn current(&mut self, path: &Names) -> &mut Module {
        self.house.modules.get_mut(path).expect("is being read")
    }

    /// Modules declared here, so that paths which begin with one are known.
    fn children(&mut self, tokens: &[TokenTree], path: &Names) {
        for at in 0..tokens.len() {
            if word(tokens, at) == "mod" && !is_test(tokens, at) {
                let mut child = path.clone();
                child.push(word(tokens, at + 1));
                if let Some(TokenTree::Group(group)) = tokens.get(at + 2) {
                    self.module(group.stream(), child.clone());
                } else {
                    self.below.push(child.clone());
                }
                let name = child.pop().expect("was pushed");
                self.current(path).children.insert(name);
            }
        }
    }

    /// Items of a module, or any group of tokens in it.
    fn body(&mut self, tokens: &[TokenTree], path: &Names) {
        let mut at = 0;
        while at < tokens.len() {
            match word(tokens, at).as_str() {
                "mod" if matches!(tokens.get(at + 2), Some(TokenTree::Group(_))) => at += 3,
                "use" => {
                    let end = (at..tokens.len()).find(|&i| mark(tokens, i, ';'));
                    let end = end.unwrap_or(tokens.len());
                    let again =
                        at > 0 && (word(tokens, at - 1) == "pub" || follows_pub(tokens, at));
                    if !is_test(tokens, at) {
                        let tree = tokens.get(at + 1..end).unwrap_or_default();
                        self.tree(tree, &[], path, again);
                    }
                    at = end + 1;
                }
                "" => {
                    if let Some(TokenTree::Group(group)) = tokens.get(at) {
                        let inner: Vec<TokenTree> = group.stream().into_iter().collect();
                        self.body(&inner, path);
                    }
                    at += 1;
                }
                _ => at = self.path(tokens, at, path),
            }
        }
    }

    /// One tree of a `use`: `a::b`, `a::{b, c}`, `a::b as c`, `a::*`.
    fn tree(&mut self, tokens: &[TokenTree], before: &[String], path: &Names, again: bool) {
        let mut names = before.to_vec();
        let mut at = 0;
        let mut called = None;
        while at < tokens.len() {
            match tokens.get(at) {
                Some(TokenTree::Ident(name)) if name == "as" => {
                    called = Some(word(tokens, at + 1));
                    at += 1;
                }
                Some(TokenTree::Ident(name)) => names.push(name.to_string()),
                Some(TokenTree::Group(group)) => {
                    let inner: Vec<TokenTree> = group.stream().into_iter().collect();
                    for tree in inner
                        .split(|token| matches!(token, TokenTree::Punct(p) if p.as_char() == ','))
                    {
                        if !tree.is_empty() {
                            self.tree(tree, &names, path, again);
                        }
                    }
                    return;
                }
                _ => {}
            }
            at += 1;
        }
        if names.last().is_some_and(|name| name == "self") && names.len() > 1 {
            names.pop();
        }
        let Some(full) = self.rooted(&names, path) else {
            return;
        };
        let name = called.or_else(|| names.last().cloned()).unwrap_or_default();
        let room = |names: &Names| names.first().cloned();
        let facade = again && room(&full) == room(path);
        let module = self.current(path);
        if name != "_" {
            module.imports.insert(name, full.clone());
        }
        if !facade {
            module.names.insert(full);
        }
    }

    /// A path in code; gives where it ends.
    fn path(&mut self, tokens: &[TokenTree], at: usize, path: &Names) -> usize {
        let mut names = vec![word(tokens, at)];
        let mut end = at + 1;
        while mark(tokens, end, ':')
            && mark(tokens, end + 1, ':')
            && !word(tokens, end + 2).is_empty()
        {
            names.push(word(tokens, end + 2));
            end += 3;
        }
        let after_path = at > 0 && mark(tokens, at - 1, ':') && at > 1 && mark(tokens, at - 2, ':');
        if names.len() > 1 && !after_path {
            let imported = self.current(path).imports.contains_key(&names[0]);
            if !imported && let Some(full) = self.rooted(&names, path) {
                self.current(path).names.insert(full);
            }
        }
        end
    }

    /// The path from the root; None for what is no path of this package.
    fn rooted(&mut self, names: &[String], path: &Names) -> Option<Names> {
        let (first, mut rest) = names.split_first()?;
        let mut full = match first.as_str() {
            "crate" => Vec::new(),
            "self" => path.clone(),
            "super" => {
                let mut up = path.clone();
                up.pop();
                while rest.first().is_some_and(|name| name == "super") {
                    up.pop();
                    rest = &rest[1..];
                }
                up
            }
            name if self.current(path).children.contains(name) => {
                let mut child = path.clone();
                child.push(name.to_owned());
                child
            }
            _ => {
                self.current(path).outside.insert(first.clone());
                return None;
            }
        };
        full.extend_from_slice(rest);
        Some(full)
    }
}

/// The word at this place; empty where there is none.
fn word(tokens: &[TokenTree], at: usize) -> String {
    match tokens.get(at) {
        Some(TokenTree::Ident(name)) => name.to_string(),
        _ => String::new(),
    }
}

fn mark(tokens: &[TokenTree], at: usize, sign: char) -> bool {
    matches!(tokens.get(at), Some(TokenTree::Punct(punct)) if punct.as_char() == sign)
}

/// Whether `pub(crate)` or the like stands before this place.
fn follows_pub(tokens: &[TokenTree], at: usize) -> bool {
    let group = matches!(tokens.get(at.wrapping_sub(1)), Some(TokenTree::Group(g)) if g.delimiter() == Delimiter::Parenthesis);
    group && at > 1 && word(tokens, at - 2) == "pub"
}

/// Whether an attribute `cfg(test)` stands on the item whose keyword is at this place.
fn is_test(tokens: &[TokenTree], at: usize) -> bool {
    let mut at = at;
    while at > 0 && (word(tokens, at - 1) == "pub" || follows_pub(tokens, at)) {
        at -= if word(tokens, at - 1) == "pub" { 1 } else { 2 };
    }
    while at > 1 && mark(tokens, at - 2, '#') {
        let Some(TokenTree::Group(group)) = tokens.get(at - 1) else {
            return false;
        };
        let text = group.stream().to_string().replace(' ', "");
        if text.starts_with("cfg(") && text.contains("test") {
            return true;
        }
        at -= 2;
    }
    false
}
