// Embers as small additive quads; their number is the load. Place and life follow from the number alone.
struct Ember {
    @builtin(position) place: vec4<f32>,
    @location(0) within: vec2<f32>,
    @location(1) heat: f32,
}

fn mixed(seed: u32) -> u32 {
    var x = seed * 747796405u + 2891336453u;
    x = ((x >> ((x >> 28u) + 4u)) ^ x) * 277803737u;
    return (x >> 22u) ^ x;
}

fn share(seed: u32) -> f32 {
    return f32(mixed(seed) >> 8u) / 16777216.0;
}

@vertex
fn fly(@builtin(vertex_index) vertex: u32) -> Ember {
    let number = vertex / 6u;
    let corner = vertex % 6u;
    let seed = number * 4u + params.act * 0x9e3779b9u;
    let angle = 6.2831853 * share(seed);
    let speed = 0.25 + 0.15 * share(seed + 1u) * f32(3u + params.act % 3u);
    let age = fract(share(seed + 2u) + f32(params.frame) / 60.0);
    let sway = 0.12 * share(seed + 3u);
    let aspect = f32(params.height) / f32(params.width);
    let centre = vec2<f32>(
        1.6 * aspect * (sway * sin(9.0 * age + angle) + cos(angle) * speed * age),
        -0.9 + 2.0 * speed * sqrt(age)
    );
    let x = f32(corner == 1u || corner == 2u || corner == 4u);
    let y = f32(corner == 2u || corner == 4u || corner == 5u);
    let side = 2.0 * vec2<f32>(x, y) - 1.0;
    var ember: Ember;
    ember.place = vec4<f32>(centre + 0.004 * side * vec2<f32>(aspect, 1.0), 0.0, 1.0);
    ember.within = side;
    ember.heat = 1.0 - age;
    return ember;
}

@fragment
fn glow(ember: Ember) -> @location(0) vec4<f32> {
    let light = max(0.0, 1.0 - dot(ember.within, ember.within)) * ember.heat;
    return vec4<f32>(0.45 * light, 0.2 * light, 0.06 * light, 1.0);
}
