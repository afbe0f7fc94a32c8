// The wave equation on a grid three times as fine as the picture; bound by memory. Steps are the load.
@group(0) @binding(1) var<storage, read> now: array<f32>;
@group(0) @binding(2) var<storage, read_write> before: array<f32>;  // becomes the next state, in place
@group(0) @binding(3) var picture: texture_storage_2d<rgba8unorm, write>;

@compute @workgroup_size(16, 16)
fn step(@builtin(global_invocation_id) id: vec3<u32>) {
    let columns = params.columns;
    if (id.x == 0u || id.y == 0u || id.x >= columns - 1u || id.y >= params.rows - 1u) { return; }
    let here = id.y * columns + id.x;
    let around = now[here - 1u] + now[here + 1u] + now[here - columns] + now[here + columns];
    before[here] = 0.9985 * (1.12 * now[here] + 0.22 * around - before[here]);
}

@compute @workgroup_size(16, 16)
fn drop(@builtin(global_invocation_id) id: vec3<u32>) {
    let number = params.frame / 15u;
    if (id.x >= 19u || id.y >= 19u) { return; }
    let y = 20u + (number * 7919u + 311u) % (params.rows - 40u) + id.y - 9u;
    let x = 20u + (number * 104729u + 577u) % (params.columns - 40u) + id.x - 9u;
    before[y * params.columns + x] += 1.0;
}

@compute @workgroup_size(16, 16)
fn show(@builtin(global_invocation_id) id: vec3<u32>) {
    if (id.x >= params.width || id.y >= params.height) { return; }
    let level = now[(id.y * 3u + 1u) * params.columns + id.x * 3u + 1u];
    let colour = vec3<f32>(0.10, 0.32, 0.45) + 0.6 * level * vec3<f32>(0.8, 1.0, 1.0);
    textureStore(picture, vec2<i32>(id.xy), vec4<f32>(clamp(colour, vec3<f32>(0.0), vec3<f32>(1.0)), 1.0));
}
