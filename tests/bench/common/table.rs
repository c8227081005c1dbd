//! A table as it goes into a document.

/// Prints a head and rows with the columns under one another.
pub(crate) fn print(head: &[&str], rows: &[Vec<String>]) {
    let head: Vec<String> = head.iter().map(|&cell| cell.to_owned()).collect();
    let all = || std::iter::once(&head).chain(rows);
    let width = |column: usize| all().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let rule: Vec<String> = (0..head.len()).map(|column| "-".repeat(width(column))).collect();
    for row in std::iter::once(&head).chain([&rule]).chain(rows) {
        let cells = row.iter().enumerate().map(|(column, cell)| format!("{cell:<width$}", width = width(column)));
        println!("| {} |", cells.collect::<Vec<_>>().join(" | "));
    }
}
