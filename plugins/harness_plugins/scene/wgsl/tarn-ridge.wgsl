// Every pixel's ray is marched over hills made of sines; the number of steps is the load.
@group(0) @binding(1) var picture: texture_storage_2d<rgba8unorm, write>;

fn ground(at: vec2<f32>) -> f32 {
    var height = 0.55 * sin(1.3 * at.x) * cos(0.9 * at.y);
    var scale = 2.9;
    var size = 0.22;
    for (var octave = 0; octave < 4; octave++) {
        height += size * sin(scale * at.x + at.y * (1.0 + 0.7 * f32(octave)));
        scale *= 1.9;
        size *= 0.5;
    }
    return height;
}

@compute @workgroup_size(8, 8)
fn main(@builtin(global_invocation_id) id: vec3<u32>) {
    if (id.x >= params.width || id.y >= params.height) { return; }
    let tall = f32(params.height);
    let right = (f32(id.x) - 0.5 * f32(params.width)) / tall;
    let up = (0.5 * tall - f32(id.y)) / tall - 0.12;
    let ray = normalize(vec3<f32>(right, up, 1.0));
    let travel = vec2<f32>(0.4 * sin(0.011 * f32(params.frame)), 0.03 * f32(params.frame));
    let pace = 12.0 / f32(params.amount);
    var t = 0.6;
    var at = travel;
    var height = 0.0;
    for (var step = 0u; step < params.amount; step++) {
        at = travel + t * ray.xz;
        height = ground(at);
        t += clamp(0.3 * (1.0 + t * ray.y - height), -0.2, 1.5) * min(1.0, 3.0 * pace);
    }
    let haze = exp(-0.13 * t);
    let slope = ground(at + vec2<f32>(0.01, 0.0)) - height;
    let lit = 0.3 + 0.32 * height + 9.0 * slope;
    let colour = mix(vec3<f32>(0.72, 0.80, 0.92), lit * vec3<f32>(0.95, 0.9, 0.75), haze);
    textureStore(picture, vec2<i32>(id.xy), vec4<f32>(clamp(colour, vec3<f32>(0.0), vec3<f32>(1.0)), 1.0));
}
