// One load: every lane multiplies and adds so many rounds, in eight chains that do not wait for one another.
struct Work {
    rounds: u32,
    seed: u32,
}
@group(0) @binding(0) var<uniform> work: Work;
@group(0) @binding(1) var<storage, read_write> kept: array<f32>;

@compute @workgroup_size(256)
fn main(@builtin(global_invocation_id) id: vec3<u32>) {
    let own = f32((id.x * 747796405u + work.seed) & 0xffffu) / 65536.0;
    // x' = 1 - r x^2 stays within -1 and 1 and never settles, so that all bits keep changing.
    let r = vec4<f32>(-1.87, -1.91, -1.95, -1.98);
    let one = vec4<f32>(1.0);
    var a = vec4<f32>(own, 0.3, 0.7, 0.1) * 0.5;
    var b = a * 1.3;
    var c = a * -0.7;
    var d = a * 1.9;
    var e = a * 0.4;
    var f = a * -1.1;
    var g = a * 1.6;
    var h = a * 0.9;
    for (var i = 0u; i < work.rounds; i++) {
        a = fma(r * a, a, one);
        b = fma(r * b, b, one);
        c = fma(r * c, c, one);
        d = fma(r * d, d, one);
        e = fma(r * e, e, one);
        f = fma(r * f, f, one);
        g = fma(r * g, g, one);
        h = fma(r * h, h, one);
    }
    let all = a + b + c + d + e + f + g + h;
    // Never true, which the compiler does not know.
    if (all.x + all.y + all.z + all.w == 1234.5678) {
        kept[id.x & 1023u] = all.x;
    }
}
