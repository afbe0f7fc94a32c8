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
    let factor = vec4<f32>(0.9993, 1.0007, 0.9991, 1.0009);
    let add = vec4<f32>(own * 0.01, 0.013, -0.011, own * -0.01);
    var a = vec4<f32>(own, 0.3, 0.7, 1.1);
    var b = a * 1.3;
    var c = a * 0.7;
    var d = a * 1.9;
    var e = a * 0.4;
    var f = a * 1.1;
    var g = a * 1.6;
    var h = a * 0.9;
    for (var i = 0u; i < work.rounds; i++) {
        a = fma(a, factor, add);
        b = fma(b, factor, add);
        c = fma(c, factor, add);
        d = fma(d, factor, add);
        e = fma(e, factor, add);
        f = fma(f, factor, add);
        g = fma(g, factor, add);
        h = fma(h, factor, add);
    }
    let all = a + b + c + d + e + f + g + h;
    // Never true, which the compiler does not know.
    if (all.x + all.y + all.z + all.w == 1234.5678) {
        kept[id.x & 1023u] = all.x;
    }
}
