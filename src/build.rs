//! Compiles what is not Rust.

fn main() {
    println!("cargo::rerun-if-changed=src/heap.c");
    for object in cc::Build::new().file("src/heap.c").compile_intermediates() {
        println!("cargo::rustc-link-arg-bins={}", object.display());
    }
}
