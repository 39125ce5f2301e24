//! The motor that turns the pump: speed-controlled with droop, a torque limit and a winding that heats.

use crate::constants::RPM_RAD_PER_S;

/// What the drive is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DriveParameters {
    /// Whether it has power (the stop chain takes it away).
    pub powered: bool,
    /// Whether its contactor is welded: once turning, it turns on although nobody asks it to.
    pub welded: bool,
    /// Speed at which it turns by itself, asked or not, rpm; 0 when it obeys.
    pub by_itself_rpm: u16,
    /// Inertia of motor, coupling and pump, kg m2.
    pub inertia_kg_m2: f64,
    /// Controller gain, N m s/rad: droop is its inverse.
    pub gain_n_m_s_per_rad: f64,
    /// Torque limit, N m.
    pub torque_max_n_m: f64,
    /// Time in which the set-point ramps to a new speed, s; 0 steps.
    pub ramp_s: f64,
    /// Dry friction of the shaft, N m.
    pub friction_n_m: f64,
    /// Viscous friction, N m s/rad.
    pub viscous_n_m_s_per_rad: f64,
    /// Share of the shaft's turning that reaches the pump: 1, or 0 with a broken coupling.
    pub coupling: f64,
    /// Torque constant, N m/A.
    pub torque_n_m_per_a: f64,
    /// Winding, ohm.
    pub winding_ohm: f64,
    /// Loss when enabled, W.
    pub idle_w: f64,
    /// Heat capacity, J/K.
    pub heat_j_per_k: f64,
    /// Winding to ambient, K/W.
    pub to_ambient_k_per_w: f64,
}

impl Default for DriveParameters {
    fn default() -> Self {
        Self {
            powered: true,
            welded: false,
            by_itself_rpm: 0,
            inertia_kg_m2: 0.01,
            gain_n_m_s_per_rad: 4.8,
            torque_max_n_m: 15.0,
            ramp_s: 0.4,
            friction_n_m: 0.4,
            viscous_n_m_s_per_rad: 0.005,
            coupling: 1.0,
            torque_n_m_per_a: 0.08,
            winding_ohm: 0.05,
            idle_w: 150.0,
            heat_j_per_k: 350.0,
            to_ambient_k_per_w: 0.8,
        }
    }
}

/// The drive's state.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Drive {
    /// Shaft speed, rad/s.
    pub omega_rad_per_s: f64,
    /// Present set-point, rad/s.
    pub wanted_rad_per_s: f64,
    /// Motor torque over the last step, N m.
    pub torque_n_m: f64,
    /// Heat put into the winding since last taken, J.
    heat_j: f64,
    target_rpm: u16,
    slope_rad_per_s2: f64,
}

impl Drive {
    /// Moves the shaft on by `dt_s` towards `target_rpm` (0 = off) against the pump's `load_n_m`:
    /// `J domega/dt = T_d - T_load - T_f - c omega`, `T_d = clamp(K (wanted - omega), 0, T_max)`.
    /// The controller is implicit inside its limits.
    pub fn advance(&mut self, dt_s: f64, target_rpm: u16, load_n_m: f64, drive: &DriveParameters) {
        let target_rpm = if drive.welded { target_rpm.max(self.target_rpm) } else { target_rpm };
        let target_rpm = target_rpm.max(drive.by_itself_rpm);
        let enabled = target_rpm > 0 && drive.powered;
        self.ramp(dt_s, if enabled { target_rpm } else { 0 }, drive.ramp_s);
        let omega = self.omega_rad_per_s;
        let moving_n_m = if enabled {
            (drive.gain_n_m_s_per_rad * (self.wanted_rad_per_s - omega)).clamp(0.0, drive.torque_max_n_m)
        } else {
            0.0
        };
        let resisting = load_n_m + drive.friction_n_m + drive.viscous_n_m_s_per_rad * omega;
        let per_inertia = dt_s / drive.inertia_kg_m2;
        let next = if moving_n_m > 0.0 && moving_n_m < drive.torque_max_n_m {
            let k = drive.gain_n_m_s_per_rad;
            (omega + per_inertia * (k * self.wanted_rad_per_s - resisting)) / (1.0 + per_inertia * k)
        } else {
            omega + per_inertia * (moving_n_m - resisting)
        };
        self.omega_rad_per_s = next.max(0.0);
        self.torque_n_m = moving_n_m;
        let amps = moving_n_m / drive.torque_n_m_per_a;
        self.heat_j += dt_s * (if enabled { drive.idle_w } else { 0.0 } + drive.winding_ohm * amps * amps);
    }

    fn ramp(&mut self, dt_s: f64, target_rpm: u16, ramp_s: f64) {
        let target = f64::from(target_rpm) * RPM_RAD_PER_S;
        if target_rpm != self.target_rpm {
            self.target_rpm = target_rpm;
            if target_rpm == 0 {
                self.wanted_rad_per_s = 0.0;
            } else if self.wanted_rad_per_s < self.omega_rad_per_s {
                self.wanted_rad_per_s = self.omega_rad_per_s.min(target);
            }
            self.slope_rad_per_s2 =
                if ramp_s > 0.0 { (target - self.wanted_rad_per_s).abs() / ramp_s } else { f64::INFINITY };
        }
        if self.wanted_rad_per_s != target {
            let most = self.slope_rad_per_s2 * dt_s;
            let way = target - self.wanted_rad_per_s;
            self.wanted_rad_per_s =
                if way.abs() <= most { target } else { self.wanted_rad_per_s + most.copysign(way) };
        }
    }

    /// Heat put into the winding since the last call, J.
    pub fn take_heat_j(&mut self) -> f64 {
        core::mem::take(&mut self.heat_j)
    }
}

/// Speed-independent torque of a pump of `displacement_m3_per_rev` against `gauge_pa`, N m: `p D/(2 pi eta)`.
pub fn pump_torque_n_m(gauge_pa: f64, displacement_m3_per_rev: f64, efficiency: f64) -> f64 {
    gauge_pa * displacement_m3_per_rev / (2.0 * core::f64::consts::PI * efficiency)
}
