// What every scene is told of a frame. Mirrored by `gpu.py`.
struct Params {
    width: u32,
    height: u32,
    amount: u32,   // work: steps, or embers
    frame: u32,    // of the pass, from 0
    act: u32,
    rows: u32,     // of the water's grid
    columns: u32,
    padding: u32,
}
@group(0) @binding(0) var<uniform> params: Params;
