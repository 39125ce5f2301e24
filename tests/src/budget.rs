//! What an image costs: its sizes, and the deepest its stack can get, from the frames that the compiler
//! noted and the calls that the disassembler finds.

use object::{Object, ObjectSection, ObjectSymbol, SectionFlags, SectionKind, SymbolKind, elf};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Registers that an exception pushes, with those of the floating-point unit (Armv7-M Architecture
/// Reference Manual, B1.5.7, from memory).
const EXCEPTION_FRAME_BYTES: u64 = 104;

/// One line of the table.
#[derive(Clone, Debug)]
pub struct Row {
    image: &'static str,
    what: &'static str,
    measured: u64,
    at_most: u64,
}

impl Row {
    /// A line.
    #[must_use]
    pub fn new(image: &'static str, what: &'static str, measured: u64, at_most: u64) -> Row {
        Row { image, what, measured, at_most }
    }

    /// Whether the budget holds.
    #[must_use]
    pub fn within(&self) -> bool {
        self.measured <= self.at_most
    }
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Row { image, what, measured, at_most } = self;
        let word = if self.within() { "good" } else { "EXCEEDED" };
        writeln!(f, "| {image} | {what} | {measured} | {at_most} | {word} |")
    }
}

/// An image as it would be flashed.
#[derive(Clone, Debug)]
pub struct Image {
    path: PathBuf,
    /// Bytes in flash: code, constants, and what RAM starts with.
    pub flash_bytes: u64,
    /// Bytes of RAM, without the stack.
    pub ram_bytes: u64,
    /// Functions of `core::panicking` in it.
    pub panics: u64,
    frames: BTreeMap<u64, u64>,
}

/// The deepest stack.
#[derive(Clone, Debug)]
pub struct Worst {
    /// Bytes, with an exception on top.
    pub bytes: u64,
    /// The calls that lead there.
    pub path: Vec<String>,
    /// Functions whose frame is not known: assembler.
    pub unsized_functions: Vec<String>,
    /// Calls through a register, which are not followed.
    pub indirect_calls: usize,
}

impl Image {
    /// Reads an image.
    ///
    /// # Errors
    /// In words, when there is none or it says nothing of its frames.
    pub fn read(path: &Path) -> Result<Image, String> {
        let bytes = std::fs::read(path).map_err(|error| {
            format!(
                "{}: {error}; build it: RUSTC_BOOTSTRAP=1 firmware/thumb.sh build --profile firmware -p …",
                path.display()
            )
        })?;
        let file = object::File::parse(&*bytes).map_err(|error| format!("{}: {error}", path.display()))?;
        let (mut flash_bytes, mut ram_bytes) = (0, 0);
        let mut frames = BTreeMap::new();
        for section in file.sections() {
            let SectionFlags::Elf { sh_flags } = section.flags() else { continue };
            let has = |flag: u32| sh_flags & u64::from(flag) != 0;
            let filled = section.kind() != SectionKind::UninitializedData && section.file_range().is_some();
            if has(elf::SHF_ALLOC) {
                flash_bytes += if filled { section.size() } else { 0 };
                ram_bytes += if has(elf::SHF_WRITE) { section.size() } else { 0 };
            }
            if section.name() == Ok(".stack_sizes") {
                frames.extend(stack_sizes(section.data().unwrap_or_default()));
            }
        }
        if frames.is_empty() {
            let why = "it was built without the sizes of stack frames; build it with RUSTC_BOOTSTRAP=1";
            return Err(format!("{}: {why}", path.display()));
        }
        let panics = file.symbols().filter_map(|symbol| symbol.name().ok());
        let panics = panics.filter(|name| name.contains("9panicking")).count() as u64;
        Ok(Image { path: path.to_owned(), flash_bytes, ram_bytes, panics, frames })
    }

    /// The deepest stack from the image's start, with one exception on top of it.
    ///
    /// # Errors
    /// When the disassembler is missing.
    pub fn worst_stack(&self) -> Result<Worst, String> {
        let calls = Calls::of(&self.path)?;
        let start = calls.address("Reset").ok_or("the image has no Reset")?;
        let mut walk =
            Walk { frames: &self.frames, calls: &calls, known: BTreeMap::new(), on_the_way: BTreeSet::new() };
        let (bytes, path) = walk.deepest(start);
        let unsized_functions = walk.known.keys().filter(|at| !self.frames.contains_key(at));
        Ok(Worst {
            bytes: bytes + EXCEPTION_FRAME_BYTES,
            unsized_functions: unsized_functions.map(|at| calls.name(*at)).collect(),
            path: path.into_iter().map(|at| calls.name(at)).collect(),
            indirect_calls: calls.indirect,
        })
    }
}

/// Where the function is whose mangled name holds `part`.
///
/// # Panics
/// When the image cannot be read or does not hold exactly one.
#[must_use]
pub fn address_of(image: &Path, part: &str) -> u64 {
    let bytes = std::fs::read(image).unwrap_or_else(|error| panic!("{}: {error}", image.display()));
    let file = object::File::parse(&*bytes).unwrap_or_else(|error| panic!("{}: {error}", image.display()));
    let named = |symbol: &object::Symbol<'_, '_>| {
        symbol.kind() == SymbolKind::Text && symbol.name().is_ok_and(|name| name.ends_with(part))
    };
    let found: Vec<_> = file.symbols().filter(named).map(|symbol| symbol.address() & !1).collect();
    assert_eq!(found.len(), 1, "functions named {part}");
    found[0]
}

/// The section's entries: an address in four bytes, a size in ULEB128.
fn stack_sizes(section: &[u8]) -> BTreeMap<u64, u64> {
    let mut sizes = BTreeMap::new();
    let mut left = section;
    while let Some((address, rest)) = left.split_first_chunk::<4>() {
        let (mut size, mut shift) = (0_u64, 0);
        left = rest;
        while let Some((&byte, rest)) = left.split_first() {
            left = rest;
            size |= u64::from(byte & 0x7F) << shift;
            shift += 7;
            if byte & 0x80 == 0 {
                break;
            }
        }
        // The lowest bit says that the code is Thumb.
        sizes.insert(u64::from(u32::from_le_bytes(*address) & !1), size);
    }
    sizes
}

/// Who calls whom, by address.
#[derive(Debug)]
struct Calls {
    names: BTreeMap<u64, String>,
    from: BTreeMap<u64, BTreeSet<u64>>,
    indirect: usize,
}

impl Calls {
    fn of(image: &Path) -> Result<Calls, String> {
        let tool = "arm-none-eabi-objdump";
        let output = Command::new(tool).args(["-d", "-C", "--no-show-raw-insn"]).arg(image).output().map_err(
            |error| format!("{tool}: {error}; on Debian: apt-get install --no-install-recommends binutils-arm-none-eabi"),
        )?;
        let mut calls = Calls { names: BTreeMap::new(), from: BTreeMap::new(), indirect: 0 };
        let mut function = 0;
        let text = String::from_utf8_lossy(&output.stdout);
        for line in text.lines() {
            if let Some((address, name)) = line.strip_suffix(">:").and_then(|line| line.split_once(" <")) {
                function = u64::from_str_radix(address, 16).unwrap_or(0);
                calls.names.insert(function, name.to_owned());
            } else if let Some((_, instruction)) = line.split_once(":\t") {
                calls.take(function, instruction);
            }
        }
        // A jump into a function's middle stays in that function; only its beginning is called.
        let starts: BTreeSet<u64> = calls.names.keys().copied().collect();
        for (from, to) in &mut calls.from {
            to.retain(|at| starts.contains(at) && at != from);
        }
        Ok(calls)
    }

    fn take(&mut self, from: u64, instruction: &str) {
        let mut words = instruction.split_whitespace();
        let (Some(operation), Some(operand)) = (words.next(), words.next()) else { return };
        if operation.starts_with("blx") && operand.starts_with('r') {
            self.indirect += 1;
        } else if operation.starts_with('b')
            && !operation.starts_with("bic")
            && let Ok(to) = u64::from_str_radix(operand, 16)
        {
            self.from.entry(from).or_default().insert(to);
        }
    }

    fn address(&self, name: &str) -> Option<u64> {
        self.names.iter().find(|(_, known)| *known == name).map(|(at, _)| *at)
    }

    fn name(&self, at: u64) -> String {
        let name = self.names.get(&at).map_or("?", String::as_str);
        name.rsplit("::").next().unwrap_or(name).to_owned()
    }
}

/// A walk through the calls, deepest first.
struct Walk<'a> {
    frames: &'a BTreeMap<u64, u64>,
    calls: &'a Calls,
    known: BTreeMap<u64, (u64, Vec<u64>)>,
    on_the_way: BTreeSet<u64>,
}

impl Walk<'_> {
    fn deepest(&mut self, at: u64) -> (u64, Vec<u64>) {
        if let Some(known) = self.known.get(&at) {
            return known.clone();
        }
        // What calls itself has no deepest stack; the one function that does is there to overflow it.
        if !self.on_the_way.insert(at) {
            return (0, Vec::new());
        }
        let own = self.frames.get(&at).copied().unwrap_or(0);
        let mut deepest = (0, Vec::new());
        for &to in self.calls.from.get(&at).into_iter().flatten() {
            let below = self.deepest(to);
            if below.0 > deepest.0 {
                deepest = below;
            }
        }
        self.on_the_way.remove(&at);
        let mut path = vec![at];
        path.extend(deepest.1);
        let all = (own + deepest.0, path);
        self.known.insert(at, all.clone());
        all
    }
}
