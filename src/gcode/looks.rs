//! What a file that is no G-code looks like.

/// As much of the head of a file as is needed to tell.
pub(crate) const HEAD_BYTES: usize = 512;

/// Signatures at the start of files, from the formats' own specifications.
const SIGNATURES: [(&[u8], &str); 12] = [
    (b"\x89PNG\r\n\x1a\n", "a PNG image"),
    (b"\xFF\xD8\xFF", "a JPEG image"),
    (b"GIF8", "a GIF image"),
    (b"%PDF-", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive, as 3MF projects are"),
    (b"\x1F\x8B", "a gzip archive"),
    (b"7z\xBC\xAF\x27\x1C", "a 7z archive"),
    (b"\x7FELF", "a program"),
    (b"GCDE", "packed (binary) G-code; export it as plain text"),
    (b"\xFF\xFE", "UTF-16 text; save it as UTF-8 or ASCII"),
    (b"\xFE\xFF", "UTF-16 text; save it as UTF-8 or ASCII"),
    (b"<", "XML or HTML"),
];

/// What the file looks like by its head and length, if it is something known.
pub(crate) fn looks_like(head: &[u8], bytes: u64) -> Option<&'static str> {
    let known = SIGNATURES.iter().find(|(signature, _)| head.starts_with(signature)).map(|(_, name)| *name);
    known.or_else(|| is_stl(head, bytes).then_some("an STL model; slice it first"))
}

/// A text STL begins with `solid` and a facet; a binary one has 80 bytes, the number of its triangles, and 50 bytes for each.
fn is_stl(head: &[u8], bytes: u64) -> bool {
    if head.starts_with(b"solid") {
        return head.windows(5).any(|part| part == b"facet");
    }
    let count = head.get(80..84).and_then(|count| count.try_into().ok()).map(u32::from_le_bytes);
    count.is_some_and(|count| count > 0 && bytes == 84 + 50 * u64::from(count))
}
