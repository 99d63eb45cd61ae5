// Stands for Rust's portable vectors: what the rest of core names of them.
pub mod simd {
    pub struct Simd<T, const LANES: usize>([T; LANES]);
    pub struct LaneCount<const LANES: usize>;
    pub trait SimdElement {}
    pub trait SupportedLaneCount {}
}
