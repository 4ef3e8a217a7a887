# Fit one lap table with lme4: REML criterion, standard deviations and processor seconds as JSON.
# Called by tests/bench/lme4_reference.py with the path of a CSV file.
suppressPackageStartupMessages(library(lme4))
laps <- read.csv(commandArgs(trailingOnly = TRUE)[1], stringsAsFactors = TRUE)
for (name in grep("^mod_", names(laps), value = TRUE)) laps[[name]] <- factor(laps[[name]])
ordinary <- c("circuit", grep("^mod_", names(laps), value = TRUE), "tyre_category")
ordinary <- ordinary[sapply(ordinary, function(name) nlevels(laps[[name]]) > 1)]
formula <- reformulate(
  c(ordinary, "air_temp_c", "lap", "(1|model)", "(1|build)", "(1|driver)", "(1|session_id)"), "y")
seconds <- function(t) sum(t[c("user.self", "sys.self")])
# lme4 as it comes, but for the check of its optimum by finite differences, which is left out.
time <- system.time(fit <- lmer(formula, laps, REML = TRUE, control = lmerControl(calc.derivs = FALSE)))
# Its search compares values of a criterion in the millions, whose rounding hides the optimum to
# some 1e-4 on a standard deviation; Newton steps from wide differences find it more closely.
parsed <- lFormula(formula, laps, REML = TRUE)
criterion <- do.call(mkLmerDevfun, parsed)
theta <- getME(fit, "theta")
for (round in 1:3) {
  slope <- lme4:::deriv12(criterion, theta, delta = 0.001)
  theta <- theta - solve(slope$Hessian, slope$gradient)
}
found <- list(par = theta, fval = criterion(theta), conv = 0, message = "")
exact <- mkMerMod(environment(criterion), found, parsed$reTrms, fr = parsed$fr)
sds <- as.data.frame(VarCorr(exact))
sd <- function(group) sds$sdcor[sds$grp == group]
cat(sprintf(
  '{"criterion": %.6f, "model": %.9f, "build": %.9f, "driver": %.9f, "session": %.9f, "residual": %.9f, "seconds": %.2f, "version": "%s"}\n',
  REMLcrit(exact), sd("model"), sd("build"), sd("driver"), sd("session_id"), sigma(exact),
  seconds(time), as.character(packageVersion("lme4"))))
