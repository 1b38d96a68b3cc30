//! What is given for a part of an error wherever one is made, followed through functions, closures and names.

use super::{Source, Words, arguments};
use std::collections::{BTreeMap, BTreeSet};
use syn::Expr;
use syn::visit::{self, Visit};

/// What is given for one part of an error, at one place of the sources.
#[derive(Clone, Debug)]
pub struct Given {
    /// Where: file and function.
    pub place: String,
    /// What is made or called.
    pub of: String,
    /// The texts of every branch; `None` where nothing but a name is given on.
    pub texts: Option<Vec<String>>,
    /// Of the message beside a help.
    pub message: Option<Vec<String>>,
}

/// How errors are made: everything that is given for the parts that `wanted` asks for (a variant with a field, or `help`), straight
/// or through functions and closures that take it as a parameter.
#[must_use]
pub fn given(sources: &[Source], wanted: &BTreeSet<(String, String)>) -> Vec<Given> {
    let mut makers: BTreeMap<(String, String, String), Maker> = BTreeMap::new();
    // a function that gives its parameter on to a maker is one too
    loop {
        let mut found = Vec::new();
        let before = makers.len();
        for source in sources {
            let mut walk = Walk {
                file: &source.name,
                wanted,
                makers: &mut makers,
                scopes: Vec::new(),
                found: &mut found,
            };
            walk.visit_file(&source.file);
        }
        if makers.len() == before {
            return found;
        }
    }
}

/// Which argument of a function is the part, and which the message beside it.
#[derive(Clone, Copy, Debug)]
struct Maker {
    part: usize,
    message: Option<usize>,
    arguments: usize,
}

/// A function or closure under way.
struct Scope {
    name: String,
    /// Where it can be called from: everywhere, a file, or a function of a file.
    known: String,
    parameters: Vec<String>,
    lets: Vec<(Vec<String>, Expr)>,
}

struct Walk<'a> {
    file: &'a str,
    wanted: &'a BTreeSet<(String, String)>,
    /// By where it is known, its name, and what it makes.
    makers: &'a mut BTreeMap<(String, String, String), Maker>,
    scopes: Vec<Scope>,
    found: &'a mut Vec<Given>,
}

/// Names a pattern binds, in order.
fn bound(pattern: &syn::Pat) -> Vec<String> {
    struct Names(Vec<String>);
    impl Visit<'_> for Names {
        fn visit_pat_ident(&mut self, pattern: &syn::PatIdent) {
            self.0.push(pattern.ident.to_string());
        }
    }
    let mut names = Names(Vec::new());
    names.visit_pat(pattern);
    names.0
}

/// The name that is given on, through `&`, `.into()` and the like.
fn given_on(value: &Expr) -> Option<String> {
    match value {
        Expr::Path(path) => path.path.get_ident().map(ToString::to_string),
        Expr::Reference(of) => given_on(&of.expr),
        Expr::MethodCall(call) if call.args.is_empty() => given_on(&call.receiver),
        _ => None,
    }
}

fn is_named(value: &Expr, name: &str) -> bool {
    let Expr::Path(path) = value else { return false };
    let parts: Vec<String> = path.path.segments.iter().map(|part| part.ident.to_string()).collect();
    parts.join("::") == name
}

impl Walk<'_> {
    /// Texts of every branch of a value; `None` where there is none.
    fn texts(&self, value: &Expr) -> Option<Vec<String>> {
        let inner = self.scopes.len().checked_sub(1)?;
        self.texts_at(value, inner, self.scopes[inner].lets.len())
    }

    /// As it is seen from a scope, after so many of its lets.
    fn texts_at(&self, value: &Expr, inner: usize, before: usize) -> Option<Vec<String>> {
        let texts = |value: &Expr| self.texts_at(value, inner, before);
        let branches = |of: Vec<&Expr>| {
            let all: Vec<Option<Vec<String>>> = of.into_iter().map(texts).collect();
            all.iter().any(Option::is_some).then(|| all.into_iter().flatten().flatten().collect())
        };
        let last = |block: &syn::Block| match block.stmts.last() {
            Some(syn::Stmt::Expr(value, None)) => Some(value.clone()),
            _ => None,
        };
        match value {
            Expr::If(found) => {
                let first = last(&found.then_branch);
                let rest = found.else_branch.as_ref().map(|(_, rest)| &**rest);
                branches(first.as_ref().into_iter().chain(rest).collect())
            }
            Expr::Block(block) => last(&block.block).and_then(|value| texts(&value)),
            Expr::Match(found) => branches(found.arms.iter().map(|arm| &*arm.body).collect()),
            Expr::MethodCall(call) if call.args.is_empty() => texts(&call.receiver),
            Expr::MethodCall(call)
                if call.method == "map_or_else" || call.method == "map_or" || call.method == "unwrap_or" =>
            {
                branches(call.args.iter().chain([&*call.receiver]).collect())
            }
            Expr::Reference(of) => texts(&of.expr),
            Expr::Closure(of) => texts(&of.body),
            Expr::Path(path) if path.path.get_ident().is_some() => {
                let name = path.path.get_ident()?.to_string();
                for at in (0..=inner).rev() {
                    let scope = &self.scopes[at];
                    let lets = &scope.lets[..if at == inner { before } else { scope.lets.len() }];
                    if let Some(found) = lets.iter().rposition(|(names, _)| names.contains(&name)) {
                        let (names, value) = &lets[found];
                        let part = names.iter().position(|one| *one == name)?;
                        return self.texts_at(&part_of(value, part, names.len()), at, found);
                    }
                    if scope.parameters.contains(&name) {
                        return None;
                    }
                }
                None
            }
            Expr::Call(call) if call.args.is_empty() && is_named(&call.func, "String::new") => {
                Some(vec![String::new()])
            }
            other => {
                let mut words = Words::default();
                words.visit_expr(other);
                // what a text is filled in with by its name
                let seen = self.scopes[..=inner].iter().flat_map(|scope| &scope.lets);
                let filled_in: Vec<&Expr> = seen
                    .filter(|(names, _)| names.len() == 1 && words.0.contains(&format!("{{{}}}", names[0])))
                    .map(|(_, value)| value)
                    .collect();
                for value in filled_in {
                    words.visit_expr(value);
                }
                (!words.0.is_empty()).then_some(vec![words.0])
            }
        }
    }

    /// Where a function can be called from.
    fn known(&self, seen: &syn::Visibility) -> String {
        if matches!(seen, syn::Visibility::Inherited) { self.file.to_string() } else { String::new() }
    }

    fn place(&self) -> String {
        let names: Vec<&str> =
            self.scopes.iter().map(|scope| scope.name.as_str()).filter(|name| !name.is_empty()).collect();
        format!("{}, {}", self.file, names.join("::"))
    }

    /// Notes what is given, or that a function gives on what it was given.
    fn note(&mut self, of: &str, value: &Expr, message: Option<&Expr>) {
        if let Some(name) = given_on(value) {
            for scope in self.scopes.iter().rev() {
                if scope.lets.iter().any(|(names, _)| names.contains(&name)) {
                    break;
                }
                let Some(part) = scope.parameters.iter().position(|parameter| *parameter == name) else {
                    continue;
                };
                if !scope.name.is_empty() {
                    let beside = message.and_then(given_on);
                    let message = scope.parameters.iter().position(|p| Some(p) == beside.as_ref());
                    let maker = Maker { part, message, arguments: scope.parameters.len() };
                    let key = (scope.known.clone(), scope.name.clone(), of.to_string());
                    self.makers.entry(key).or_insert(maker);
                    return;
                }
            }
        }
        let given = Given {
            place: self.place(),
            of: of.into(),
            texts: self.texts(value),
            message: message.map(|m| self.texts(m).unwrap_or_default()),
        };
        self.found.push(given);
    }

    fn called(&mut self, name: &str, arguments: &[&Expr]) {
        let here = self.place();
        let fits = |known: &str, maker: &str, of: &Maker| {
            maker == name && of.arguments == arguments.len() && here.starts_with(known)
        };
        let found: Vec<(String, Maker)> = self
            .makers
            .iter()
            .filter(|((known, maker, _), of)| fits(known, maker, of))
            .map(|((_, _, of), maker)| (of.clone(), *maker))
            .collect();
        for (of, maker) in found {
            self.note(&of, arguments[maker.part], maker.message.map(|at| arguments[at]));
        }
    }

    fn within(&mut self, name: String, known: String, parameters: Vec<String>, walk: impl FnOnce(&mut Self)) {
        self.scopes.push(Scope { name, known, parameters, lets: Vec::new() });
        walk(self);
        self.scopes.pop();
    }
}

/// One of the parts that a value is taken apart into: of a tuple in every branch.
fn part_of(value: &Expr, at: usize, of: usize) -> Expr {
    let mut value = value.clone();
    if of > 1 {
        struct Parts(usize, usize);
        impl syn::visit_mut::VisitMut for Parts {
            fn visit_expr_mut(&mut self, value: &mut Expr) {
                match value {
                    Expr::Tuple(tuple) if tuple.elems.len() == self.1 => *value = tuple.elems[self.0].clone(),
                    other => syn::visit_mut::visit_expr_mut(self, other),
                }
            }
        }
        syn::visit_mut::VisitMut::visit_expr_mut(&mut Parts(at, of), &mut value);
    }
    value
}

fn is_test(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        attribute.path().is_ident("test")
            || attribute.path().is_ident("cfg")
                && attribute.parse_args::<syn::Ident>().is_ok_and(|of| of == "test")
    })
}

impl<'ast> Visit<'ast> for Walk<'_> {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if !is_test(&item.attrs) {
            visit::visit_item_mod(self, item);
        }
    }
    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        let inputs = item.sig.inputs.iter().flat_map(|input| match input {
            syn::FnArg::Typed(typed) => bound(&typed.pat).into_iter().next().or(Some(String::new())),
            syn::FnArg::Receiver(_) => None,
        });
        let known = self.known(&item.vis);
        self.within(item.sig.ident.to_string(), known, inputs.collect(), |walk| {
            visit::visit_item_fn(walk, item);
        });
    }
    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        let inputs = item.sig.inputs.iter().flat_map(|input| match input {
            syn::FnArg::Typed(typed) => bound(&typed.pat).into_iter().next().or(Some(String::new())),
            syn::FnArg::Receiver(_) => None,
        });
        let known = self.known(&item.vis);
        self.within(item.sig.ident.to_string(), known, inputs.collect(), |walk| {
            visit::visit_impl_item_fn(walk, item);
        });
    }
    fn visit_local(&mut self, local: &'ast syn::Local) {
        let names = bound(&local.pat);
        match local.init.as_ref().map(|init| &*init.expr) {
            Some(Expr::Closure(closure)) if names.len() == 1 => {
                let inputs =
                    closure.inputs.iter().map(|input| bound(input).into_iter().next().unwrap_or_default());
                let known = self.place();
                self.within(names[0].clone(), known, inputs.collect(), |walk| walk.visit_expr(&closure.body));
            }
            Some(value) => {
                visit::visit_local(self, local);
                if let Some(scope) = self.scopes.last_mut() {
                    scope.lets.push((names, value.clone()));
                }
            }
            None => {}
        }
    }
    fn visit_expr_closure(&mut self, closure: &'ast syn::ExprClosure) {
        let inputs = closure.inputs.iter().map(|input| bound(input).into_iter().next().unwrap_or_default());
        self.within(String::new(), String::new(), inputs.collect(), |walk| {
            visit::visit_expr_closure(walk, closure)
        });
    }
    fn visit_expr_struct(&mut self, made: &'ast syn::ExprStruct) {
        let path: Vec<String> = made.path.segments.iter().map(|segment| segment.ident.to_string()).collect();
        let last = path[path.len().saturating_sub(2)..].join("::");
        let field = |name: &str| {
            made.fields
                .iter()
                .find(|field| matches!(&field.member, syn::Member::Named(ident) if ident == name))
                .map(|field| field.expr.clone())
        };
        let message = field("message");
        for (of, name) in self
            .wanted
            .iter()
            .filter(|(of, _)| *of == last || of == "*" || of.ends_with(&last.replace("Self::", "::")))
        {
            if let Some(value) = field(name) {
                let of = if of == "*" { name.clone() } else { format!("{of}.{name}") };
                self.note(&of, &value, message.as_ref());
            }
        }
        visit::visit_expr_struct(self, made);
    }
    fn visit_expr_call(&mut self, call: &'ast syn::ExprCall) {
        if let Expr::Path(path) = &*call.func {
            let path: Vec<String> =
                path.path.segments.iter().map(|segment| segment.ident.to_string()).collect();
            let arguments: Vec<&Expr> = call.args.iter().collect();
            let last = path[path.len().saturating_sub(2)..].join("::");
            for (at, argument) in arguments.iter().enumerate() {
                if self.wanted.contains(&(last.clone(), at.to_string())) {
                    self.note(&format!("{last}.{at}"), argument, None);
                }
            }
            self.called(&path[path.len() - 1], &arguments);
        }
        visit::visit_expr_call(self, call);
    }
    fn visit_expr_method_call(&mut self, call: &'ast syn::ExprMethodCall) {
        let arguments: Vec<&Expr> = call.args.iter().collect();
        self.called(&call.method.to_string(), &arguments);
        visit::visit_expr_method_call(self, call);
    }
    fn visit_macro(&mut self, made: &'ast syn::Macro) {
        for part in arguments(made) {
            self.visit_expr(Box::leak(Box::new(part)));
        }
    }
}
