# Small made-up samples and what R 4.2.2 with survival 3.5-3 makes of them.
# Made with: Rscript survival_r_values.R > survival_r_values.json
library(survival)
num <- function(x) ifelse(is.na(x), "null", ifelse(is.infinite(x), "\"inf\"", sprintf("%.15g", x)))
arr <- function(x) paste0("[", paste(num(as.numeric(x)), collapse = ", "), "]")
obj <- function(l) paste0("{", paste0("\"", names(l), "\": ", unlist(l), collapse = ", "), "}")

curve <- function(seed) {
  set.seed(seed)
  n <- c(6, 8, 11, 20, 35)[seed %% 5 + 1]
  late <- seed %% 2 == 0
  time <- round(rexp(n, 0.05)) + if (seed %% 3 == 0) 0.5 else 1
  event <- rbinom(n, 1, c(0.5, 0.8, 1)[seed %% 3 + 1])
  entry <- if (late) ifelse(seq_len(n) <= 4, 0, floor(runif(n) * time)) else rep(0, n)
  s <- if (late) Surv(entry, time, event) else Surv(time, event)
  out <- list(time = arr(time), event = arr(event), entry = arr(entry), late = tolower(late))
  for (kind in c("log-log", "log", "plain")) {
    fit <- survfit(s ~ 1, conf.type = kind)
    q <- quantile(fit, c(0.1, 0.25, 0.5, 0.75))
    out[[kind]] <- obj(list(
      time = arr(fit$time), at_risk = arr(fit$n.risk), survival = arr(fit$surv),
      low = arr(fit$lower), high = arr(fit$upper),
      quantile = arr(q$quantile), quantile_low = arr(q$lower), quantile_high = arr(q$upper)))
  }
  obj(out)
}

cox <- function(seed) {
  set.seed(seed)
  n <- 60
  x <- round(rnorm(n), 2); z <- rbinom(n, 1, 0.4); site <- sample(1:3, n, TRUE)
  id <- sample(1:25, n, TRUE)
  time <- ceiling(rexp(n, 0.1 * exp(0.5 * x - 0.4 * z))) + 1
  entry <- floor(runif(n) * (time - 1)); event <- rbinom(n, 1, 0.75)
  fit <- coxph(Surv(entry, time, event) ~ x + z + strata(site), cluster = id,
               control = coxph.control(eps = 1e-12, iter.max = 50))
  plain <- coxph(Surv(entry, time, event) ~ x + z + strata(site),
                 control = coxph.control(eps = 1e-12, iter.max = 50))
  zph <- cox.zph(plain, transform = "km")
  obj(list(time = arr(time), entry = arr(entry), event = arr(event), x = arr(x), z = arr(z),
           site = arr(site), id = arr(id), coef = arr(coef(fit)),
           robust = arr(sqrt(diag(vcov(fit)))), model = arr(sqrt(diag(vcov(plain)))),
           loglik = arr(fit$loglik), zph = arr(zph$table[, "chisq"])))
}

visits <- function(seed) {
  set.seed(seed)
  n <- 40
  true <- rweibull(n, 1.5, 100)
  every <- sample(c(28, 42), n, TRUE)
  left <- floor(true / every) * every; right <- left + every
  lost <- rbinom(n, 1, 0.3) == 1
  left <- ifelse(lost, pmax(0, left - every), left); right <- ifelse(lost, Inf, right)
  fit <- survfit(Surv(left, ifelse(is.finite(right), right, NA), type = "interval2") ~ 1)
  obj(list(left = arr(left), right = arr(right), time = arr(fit$time), survival = arr(fit$surv)))
}

incidence <- function(seed) {
  set.seed(seed)
  n <- 30
  time <- ceiling(rexp(n, 0.1)) + 1
  entry <- ifelse(seq_len(n) <= 8, 0, floor(runif(n) * (time - 1)))
  cause <- sample(0:2, n, TRUE)
  fit <- survfit(Surv(entry, time, factor(cause, 0:2)) ~ 1, id = seq_len(n))
  obj(list(time = arr(time), entry = arr(entry), cause = arr(cause), at = arr(fit$time),
           incidence = arr(fit$pstate[, 2]), std_error = arr(fit$std.err[, 2])))
}

clustered <- function(seed) {
  set.seed(seed)
  n <- 40
  late <- seed %% 2 == 0
  id <- sample(1:15, n, TRUE)
  time <- ceiling(rexp(n, 0.05)) + 1
  entry <- if (late) ifelse(seq_len(n) <= 10, 0, floor(runif(n) * (time - 1))) else rep(0, n)
  event <- rbinom(n, 1, 0.7)
  s <- if (late) Surv(entry, time, event) else Surv(time, event)
  fit <- survfit(s ~ 1, cluster = id, robust = TRUE, conf.type = "log-log")
  q <- quantile(fit, 0.5)
  obj(list(time = arr(time), entry = arr(entry), event = arr(event), id = arr(id),
           late = tolower(late), at = arr(fit$time), survival = arr(fit$surv),
           std_error = arr(summary(fit, times = fit$time)$std.err), low = arr(fit$lower),
           high = arr(fit$upper),
           median = arr(c(q$quantile, q$lower, q$upper))))
}

part <- function(name, f, seeds)
  paste0("\"", name, "\": [\n", paste(sapply(seeds, f), collapse = ",\n"), "\n]")
cat("{", paste(c(part("curves", curve, 1:20), part("cox", cox, 1:3), part("visits", visits, 1:4),
                 part("incidence", incidence, 1:4), part("clustered", clustered, 1:6)), collapse = ",\n"), "}\n")
